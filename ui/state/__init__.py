"""What a visit knows and keeps: benches, readings, work under way, who is there."""
