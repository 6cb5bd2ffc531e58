"""What a car is: its parts, its harness, its software as data, and the edits that change it."""
