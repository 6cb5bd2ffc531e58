"""What has been written into one module: coding, VIN, keys, calibration, software; and what it lacks.

A module works by what is written into it. A new one whose coding is blank knows no car: it switches nothing,
watches nothing but itself, and marks everything that it sends as invalid. One without its calibration marks
what it measures as invalid. An older software version does not know the signal that was added last, and sends
it as not available. All of this is common practice, not a standard's.

Not modeled: secured storage, a coding in parts, a module that is locked to its first car for good.
"""

from __future__ import annotations

from zlib import crc32

from sim.modules.facts import INVALID, Known
from sim.modules.uds_data import Identity
from sim.modules.world import Host
from sim.vehicle.car import Car
from sim.vehicle.edits_set_up import BLANK, CAR_VIN, OTHER_CAR, SOFTWARE

BLANK_CODING = b"\xff\xff\xff\xff"


class SetUp:
    """What is written into a module, as the car's harness has it now."""

    def __init__(self, host: Host) -> None:
        self._host = host
        self._name = host.name
        self._newest = next(reversed(host.spec.signals), None)

    @property
    def dead(self) -> bool:
        """Does nothing inside work any more?"""
        return self._name in self._host.world.car.harness.dead

    @property
    def half_flashed(self) -> bool:
        """Is there a boot loader only, and no whole software?"""
        return self._name in self._host.world.car.harness.half_flashed

    @property
    def is_blank(self) -> bool:
        """Is nothing written into it?"""
        return self._host.world.car.harness.codings.get(self._name) == BLANK

    @property
    def is_miscoded(self) -> bool:
        """Does it have a coding for equipment that this car does not have?"""
        return self._host.world.car.harness.codings.get(self._name) == OTHER_CAR

    @property
    def vin(self) -> str:
        """The VIN that it holds; empty for none."""
        held = self._host.world.car.harness.vins.get(self._name, CAR_VIN)
        return "" if held == BLANK else held

    @property
    def is_calibrated(self) -> bool:
        """Does it know its zero?"""
        return self._name not in self._host.world.car.harness.uncalibrated

    @property
    def is_matched(self) -> bool:
        """Do both ends of the immobilizer know the same secret?"""
        return not self._host.world.car.harness.unmatched

    @property
    def software(self) -> str:
        """The version of its software."""
        return self._host.world.car.harness.software.get(self._name, SOFTWARE)

    @property
    def coding(self) -> bytes:
        """Its coding, in bytes."""
        if self.is_blank:
            return BLANK_CODING
        return coding_of(OTHER_CAR) if self.is_miscoded else coding_of(self._host.world.car)

    def identity(self) -> Identity:
        """What it tells a tester."""
        return Identity(self.vin, f"{self._name}-0001", self.software, part_number(self._name), self.coding)

    def edit_event(self, what: str) -> int | None:
        """The edit because of which something in it is not what it should be."""
        return self._host.world.edit_events.get(f"{self._name} {what}")

    # -- what it does with it --------------------------------------------------------------------------

    def spoiled(self) -> dict[str, Known]:
        """What it sends for its own signals instead of their values; empty while all is well."""
        if self.is_blank:
            return dict.fromkeys(self._host.spec.signals, INVALID)
        found: dict[str, Known] = {}
        if not self.is_calibrated:
            own = self._host.spec.signals.items()
            found = {name: INVALID for name, one in own if not (one.fact or one.when)}
        if self.software != SOFTWARE and self._newest is not None:
            found[self._newest] = None
        return found

    def why_spoiled(self, signal: str) -> tuple[int | None, ...]:
        """The edits because of which a signal is spoiled; empty if it is not."""
        if signal not in self.spoiled():
            return ()
        what = "coding" if self.is_blank else "software" if self.spoiled()[signal] is None else "calibration"
        return (self.edit_event(what),)


def coding_of(car: Car | str) -> bytes:
    """The coding that fits a car's modules, or `OTHER_CAR`, in four bytes of our own."""
    words = car if isinstance(car, str) else ",".join([car.title, *sorted(car.built.modules)])
    return crc32(words.encode()).to_bytes(4, "big")


def part_number(module: str) -> str:
    """The spare part number of a module, invented."""
    return f"BB-{crc32(module.encode()) % 10**6:06d}"
