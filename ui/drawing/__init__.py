"""Drawings: pure functions from what may be seen to SVG or HTML text. Every name in them is escaped."""
