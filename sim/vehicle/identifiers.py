"""Identifiers of CAN frames: 11 or 29 bits, and which of the long ones carry diagnosis.

Not modeled: 29-bit diagnosis; the testers of these cars ask with 11 bits.
"""

from __future__ import annotations

from typing import Final

HIGHEST_11_BIT: Final = 0x7FF  # ISO 11898-1
HIGHEST_29_BIT: Final = 0x1FFFFFFF
LONG_DIAGNOSIS: Final = (0x18DA, 0x18DB)  # ISO 15765-4: physical and functional requests, and their answers


def is_long_diagnosis(can_id: int) -> bool:
    """Does a 29-bit identifier carry diagnosis by ISO 15765-4?"""
    return can_id >> 16 in LONG_DIAGNOSIS


def shown_id(can_id: int) -> str:
    """The identifier of a message in hexadecimal digits: three, or eight where it has 29 bits."""
    return f"{can_id:08X}" if can_id > HIGHEST_11_BIT else f"{can_id:03X}"
