"""Exercises: a work order, a car with hidden edits, labor time, hand-in and debrief."""
