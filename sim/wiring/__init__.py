"""The electrical network of a car: voltage and current anywhere, fuses that blow, who hears whom."""
