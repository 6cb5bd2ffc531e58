"""Partial networking: which modules a network management frame concerns, and which it wakes.

A frame with partial network information says in bits which partial networks its sender needs. A module that
is in some of them takes it as meant for itself only if one of these is among them: other frames neither wake
it nor keep it awake, so that it sleeps while its bus is busy. Its transceiver looks for such a wake-up frame
by itself (ISO 11898-2:2016, selective wake-up). A module in none of them is concerned by every frame.

Source: AUTOSAR, Specification of CAN Network Management: partial network information bit 6 of the control bit
vector, then one bit for each partial network, low bit first (from memory).

Not modeled: selective wake-up by other frames than those of network management, the counter of frame errors
after which a transceiver wakes at any frame, partial networks over gateways (a gateway wakes its other buses
whole).
"""

from __future__ import annotations

from typing import Final

from sim.vehicle.description_wiring import NetworkManagement

INFORMATION_BIT: Final = 0x40  # of the control bit vector: partial network information follows
CONTROL_BYTE, FIRST_BYTE, LENGTH = 1, 2, 8


class PartialNetworks:
    """The partial networks of one bus as one of its modules sees them."""

    def __init__(self, times: NetworkManagement, module: str) -> None:
        places = enumerate(times.partial.values())
        self._all = (1 << len(times.partial)) - 1
        self._own = sum(1 << place for place, members in places if module in members)

    @property
    def exist(self) -> bool:
        """Has the bus any?"""
        return bool(self._all)

    @property
    def selective(self) -> bool:
        """Is the module in some of them, so that not every frame concerns it?"""
        return bool(self._own)

    def concerns(self, data: bytes) -> bool:
        """Does a management frame with these data concern the module?"""
        if not self._own or not data[CONTROL_BYTE] & INFORMATION_BIT:
            return True
        return bool(int.from_bytes(data[FIRST_BYTE:LENGTH], "little") & self._own)

    def requested(self, everything: bool) -> int:
        """The bits that the module asks for: those of its own partial networks, or of all."""
        return self._all if everything or not self._own else self._own

    def frame_data(self, number: int, control_bits: int, bits: int) -> bytes:
        """What a management frame carries that asks for these partial networks."""
        control_bits |= INFORMATION_BIT if self._all else 0
        return bytes([number, control_bits]) + bits.to_bytes(LENGTH - FIRST_BYTE, "little")
