"""The only window on a bench: what a technician could measure and see."""
