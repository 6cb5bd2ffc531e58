"""Exercises: a work order, a car with hidden edits, shop time, hand-in and debrief."""
