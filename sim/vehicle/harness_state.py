"""What edits have done to a harness: everything that differs from the car as it was built."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sim.vehicle.elements import Element


@dataclass(frozen=True)
class HarnessState:
    """The state of the harness: what has been taken off, pulled, cut, spoilt or added by edits."""

    unplugged: frozenset[str] = frozenset()
    pulled: frozenset[str] = frozenset()  # fuses and relays out of their holders
    blown: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()  # element ids
    added_ohm: Mapping[str, float] = field(default_factory=dict)  # element id -> series resistance
    fitted_a: Mapping[str, float] = field(default_factory=dict)  # fuse -> rating of a wrong fuse
    leads: Mapping[str, tuple[Element, ...]] = field(default_factory=dict)  # bypass leads and shorts by name
    loosened: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # half seated: pins that do not meet
    swapped: Mapping[str, str] = field(default_factory=dict)  # pin -> pin whose wire sits in its cavity
    offset_v: Mapping[str, float] = field(default_factory=dict)  # ground point -> voltage above the body
    # pin or wire -> mean time between its interruptions and mean length of one, s; `away`: open just now
    intermittent: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    away: frozenset[str] = frozenset()
    battery_pct: float | None = None
    kept_awake: frozenset[str] = frozenset()  # modules whose software never lets go of the network
    # by channel, such as "TCM.powertrain": what is wrong inside its module
    stuck: frozenset[str] = frozenset()  # transmit input of the transceiver held dominant
    babbling: frozenset[str] = frozenset()  # sends the highest priority without end
    bitrates_bps: Mapping[str, int] = field(default_factory=dict)  # set to another rate than its bus has
    classical: frozenset[str] = frozenset()  # does not know the CAN FD of its bus
