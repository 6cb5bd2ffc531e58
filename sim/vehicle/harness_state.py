"""What edits have done to a harness: everything that differs from the car as it was built.

`alterations` names the differences between two states one by one, so that what reports, judges or explains
them needs no list of the fields.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Literal

from sim.vehicle.elements import Element
from sim.vehicle.ethernet import PhyRole


@dataclass(frozen=True, slots=True)
class Lead:
    """Something joined to the harness: a bypass lead, a short, a terminator too many.

    verb, targets: those of the edit that joined it: two terminals, or a gateway and its buses.
    """

    verb: Literal["bypass", "short", "terminate"]
    targets: tuple[str, ...]
    parts: tuple[Element, ...]


@dataclass(frozen=True, slots=True)
class Intermittent:
    """A contact that opens now and then: mean time between its interruptions, and mean length of one, in s.

    when: by chance at any time, only while it is shaken, or as long as it is hot (then without times).
    """

    between_s: float
    open_s: float
    when: Literal["any time", "when shaken", "when hot"] = "any time"


@dataclass(frozen=True)
class HarnessState:
    """The state of the harness: what has been taken off, pulled, cut, spoiled or added by edits.

    A set holds what is so; a mapping says in which way, by part. Fields in the order of a list of changes.
    """

    unplugged: frozenset[str] = frozenset()
    pulled: frozenset[str] = frozenset()  # fuses and relays out of their holders
    blown: frozenset[str] = frozenset()
    fitted_a: Mapping[str, float] = field(default_factory=dict)  # fuse -> rating of a wrong fuse
    opened: frozenset[str] = frozenset()  # element ids
    added_ohm: Mapping[str, float] = field(default_factory=dict)  # element id -> series resistance
    loosened: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # connector -> pins that do not meet
    swapped: Mapping[str, str] = field(default_factory=dict)  # pin -> pin whose wire sits in its cavity
    # by channel, such as "TCM.powertrain": what is wrong inside its module
    stuck: frozenset[str] = frozenset()  # transmit input of the transceiver held dominant
    babbling: frozenset[str] = frozenset()  # sends the highest priority without end
    classical: frozenset[str] = frozenset()  # does not know the CAN FD of its bus
    bitrates_bps: Mapping[str, int] = field(default_factory=dict)  # set to another rate than its bus has
    phy_roles: Mapping[str, PhyRole] = field(default_factory=dict)  # an Ethernet PHY strapped otherwise
    intermittent: Mapping[str, Intermittent] = field(default_factory=dict)
    away: frozenset[str] = frozenset()  # intermittent ones that are open just now
    offset_v: Mapping[str, float] = field(default_factory=dict)  # ground point -> voltage above the body
    regulated_v: Mapping[str, float] = field(default_factory=dict)  # generator -> what its regulator holds
    mute: frozenset[str] = frozenset()  # sensors that give their level and no signal
    leads: Mapping[str, Lead] = field(default_factory=dict)  # by the edit that joined them
    kept_awake: frozenset[str] = frozenset()  # modules whose software keeps the network awake
    # of the high-voltage system
    jammed: frozenset[str] = frozenset()  # contactors that do not close
    welded: frozenset[str] = frozenset()  # contactors that do not open
    burned: frozenset[str] = frozenset()  # the precharge resistor, open
    leaking: Mapping[str, float] = field(default_factory=dict)  # rail -> ohm between it and the body
    dead: frozenset[str] = frozenset()  # modules with nothing inside that works
    # what a tester writes into modules, where it is not what this car needs
    codings: Mapping[str, str] = field(default_factory=dict)  # module -> `blank`, or whose coding it has
    vins: Mapping[str, str] = field(default_factory=dict)  # module -> the VIN it holds, `blank` for none
    software: Mapping[str, str] = field(default_factory=dict)  # module -> version
    half_flashed: frozenset[str] = frozenset()  # a boot loader and no whole software
    uncalibrated: frozenset[str] = frozenset()
    unmatched: frozenset[str] = frozenset()  # ends of the immobilizer that do not know the other's secret
    addresses: Mapping[str, int] = field(default_factory=dict)  # module -> the address set in it, SAE J1939
    weak: frozenset[str] = frozenset()  # batteries with a shorted cell
    battery_pct: float | None = None

    def joined_parts(self) -> Iterator[Element]:
        """All parts of all leads."""
        for lead in self.leads.values():
            yield from lead.parts

    def bypasses(self, module: str) -> frozenset[str]:
        """The names of the bypass leads in the place of a gateway."""
        return frozenset(
            name for name, one in self.leads.items() if one.verb == "bypass" and one.targets[0] == module
        )

    def is_bypassed(self, module: str) -> bool:
        """Whether a bypass lead is in the place of a gateway, in its connector."""
        return bool(self.bypasses(module))


FIELDS = tuple(one.name for one in fields(HarnessState))
OPENINGS = ("unplugged", "pulled", "blown", "opened", "loosened")  # what only interrupts the circuit
BATTERY = "BAT"
# what is inside a module and has a name of its own there, by field: `TCM awake`, `ECM coding`
INSIDE = {
    "kept_awake": "awake",
    "dead": "inside",
    "codings": "coding",
    "vins": "VIN",
    "software": "software",
    "half_flashed": "software",
    "uncalibrated": "calibration",
    "unmatched": "keys",
    "addresses": "address",
}


@dataclass(frozen=True, slots=True)
class Alteration:
    """One thing that differs between two states: in which field, of which part, and its value before and now.

    The value is True for a member of a set, None where the part is not in the field. The battery's charge
    has the part `BAT`.
    """

    field: str
    part: str
    was: object
    now: object

    def names(self) -> Iterator[str]:
        """The names by which an explanation looks for it: the part, the parts of a lead, `TCM awake`."""
        yield f"{self.part} {INSIDE[self.field]}" if self.field in INSIDE else self.part
        for value in (self.was, self.now):
            if isinstance(value, Lead):
                yield from (part.id for part in value.parts)


def alterations(before: HarnessState, after: HarnessState) -> Iterator[Alteration]:
    """Everything that differs, field by field, parts by name."""
    for name in FIELDS:
        before_it, after_it = getattr(before, name), getattr(after, name)
        if before_it == after_it:
            continue
        was, now = _by_part(before_it), _by_part(after_it)
        for part in sorted({*was, *now}):
            if was.get(part) != now.get(part):
                yield Alteration(name, part, was.get(part), now.get(part))


def _by_part(value: frozenset[str] | Mapping[str, object] | float | None) -> Mapping[str, object]:
    if value is None or isinstance(value, float | int):
        return {} if value is None else {BATTERY: value}
    return value if isinstance(value, Mapping) else dict.fromkeys(value, True)
