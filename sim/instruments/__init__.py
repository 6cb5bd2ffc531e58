"""The only window on a bench for whoever works on the car: what a technician could see."""
