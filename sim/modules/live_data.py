"""A module's live data as bytes (ReadDataByIdentifier of ISO 14229-1), and as a tester reads them.

Voltages at pins come in millivolts, those of a pack in volts, its insulation in kohm; coolant temperature
as in SAE J1979 (one byte, 40 more than °C, as given by PyPI `obd`), flags as 0 or 1, signals as in the
messages that carry them: FE means invalid, FF not available.

Not modeled: filters and resolution of a converter, several identifiers in one request.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Final, get_args

from sim.modules.facts import INVALID, Known
from sim.modules.knowledge import Knowledge
from sim.modules.pins import Outputs
from sim.modules.signals import ABSENT_BYTE, Codec
from sim.modules.uds_data import expect, unsigned
from sim.modules.world import Host
from sim.vehicle.ethernet import LinkState, PhyRole
from sim.vehicle.high_voltage_parts import inlet_of
from sim.vehicle.live_data import LiveDatum, live_data_of
from sim.vehicle.pilot import cable_rating_a, pilot_state

COOLANT_OFFSET_C: Final = 40
FLOW_STEPS: Final = 100  # of one kg/h
LINK_STATES: Final[tuple[str, ...]] = get_args(LinkState)
PHY_ROLES: Final[tuple[str, ...]] = get_args(PhyRole)
_FLAGS: Final = {0: "off", 1: "on"}
_YES_NO: Final = {0: "no", 1: "yes"}


class LiveData:
    """The live data of one module. `pin_v`: the voltages that it watches; `told`: by sensors' signals."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        outputs: Outputs,
        pin_v: Callable[[], Mapping[str, float]],
        told: Callable[[str], float],
    ) -> None:
        self._host = host
        self._knowledge = knowledge
        self._outputs = outputs
        self._pin_v = pin_v
        self._told = told

    @cached_property
    def _known(self) -> tuple[LiveDatum, ...]:
        return live_data_of(self._host.world.car, self._host.name)

    def values(self) -> dict[int, bytes]:
        """Every data identifier with its value now."""
        pin_v = self._pin_v()
        return {one.number: self._encoded(one, pin_v) for one in self._known}

    def _encoded(self, one: LiveDatum, pin_v: Mapping[str, float]) -> bytes:
        knowledge, world = self._knowledge, self._host.world
        match one.kind:
            case "pin":
                return unsigned(pin_v.get(one.name, 0.0) * 1000, 2)
            case "high voltage":
                return unsigned(self._high_voltage(one.name), 2)
            case "charging":
                return bytes([self._charging(one.name, pin_v)])
            case "wheel" | "duty":
                return unsigned(self._told(one.name), 1)
            case "frames":
                return unsigned(self._told(one.name) * FLOW_STEPS, 2)
            case "start-stop" | "allowed":
                return bytes([self._start_stop(one)])
            case "coolant":
                return unsigned(world.coolant_c() + COOLANT_OFFSET_C, 1)
            case "signal":
                return bytes([world.codec.byte_of(one.name, knowledge.value(one.name))])
            case "link":
                return bytes(
                    [LINK_STATES.index(str(world.surroundings.link(self._host.channels[one.name]).value))]
                )
            case "role":
                return bytes(
                    [PHY_ROLES.index(world.car.transceivers[self._host.channels[one.name]].phy or "")]
                )
            case "quality":
                return bytes([world.surroundings.link_quality(self._host.channels[one.name])])
            case "output":
                return bytes([self._outputs.on[one.name]])
        facts = knowledge.inputs if one.kind == "input" else knowledge.lines
        known = facts.get(one.name)
        return bytes([ABSENT_BYTE if known is None else known.value is True])

    def _start_stop(self, one: LiveDatum) -> int:
        part = self._knowledge.start_stop
        assert part is not None  # only its module has such data
        if one.kind == "allowed":
            return part.met[one.name]
        return one.words.index(part.told if one.name == "start-stop" else part.kept_told)

    def _charging(self, name: str, pin_v: Mapping[str, float]) -> int:
        """The letter of the pilot's state, or the rating of the cable in A."""
        inlet = inlet_of(self._host.world.car.built, self._host.name)
        assert inlet is not None  # only its module has such data
        if name == "cable_a":
            return cable_rating_a(pin_v.get(inlet.proximity, 0.0)) or 0
        return ord(pilot_state(pin_v.get(inlet.pilot, 0.0)) or "-")

    def _high_voltage(self, name: str) -> float:
        bus = self._host.world.high_voltage
        assert bus is not None  # only its battery module has such data
        values = {"pack_v": bus.spec.pack_v, "bus_v": bus.bus_v(self._host.world.now_s)}
        values |= dict(zip(("positive_v", "negative_v"), bus.poles_v, strict=True))
        return (values | {"insulation_kohm": bus.insulation_ohm / 1000})[name]


def live_value(one: LiveDatum, data: bytes, codec: Codec) -> float | str:
    """What a tester shows for an identifier's bytes: a number in its unit, or words. Raises BadResponse."""
    size = 2 if one.kind in ("pin", "high voltage", "frames") else 1
    expect(len(data) == size, f"{one.title} with {len(data)} bytes instead of {size}")
    if one.kind == "pin":
        return int.from_bytes(data, "big") / 1000
    if one.kind == "charging":
        return float(data[0]) if one.unit else f"state {chr(data[0])}"
    if one.kind == "high voltage":
        return float(int.from_bytes(data, "big"))
    if one.kind == "frames":
        return int.from_bytes(data, "big") / FLOW_STEPS
    if one.kind in ("wheel", "duty"):
        return float(data[0])
    if one.kind == "start-stop":
        return one.words[data[0]] if data[0] < len(one.words) else "not known"
    if one.kind == "coolant":
        return float(data[0] - COOLANT_OFFSET_C)
    if one.kind == "link":
        return LINK_STATES[data[0]] if data[0] < len(LINK_STATES) else "not known"
    if one.kind == "role":
        return PHY_ROLES[data[0]] if data[0] < len(PHY_ROLES) else "not known"
    if one.kind == "quality":
        return float(data[0])
    if one.kind == "signal":
        return _shown(codec.value_of(one.name, data[0]))
    words = _YES_NO if one.kind == "allowed" else _FLAGS
    return words.get(data[0], "not known")


def _shown(value: Known) -> float | str:
    if value is None:
        return "not available"
    if value is INVALID:
        return "invalid"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return float(value) if isinstance(value, int) else str(value)
