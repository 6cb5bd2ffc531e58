"""Units of time as people write them in sentences."""

from __future__ import annotations

UNITS_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}  # in seconds
