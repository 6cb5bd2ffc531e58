"""What a harness is made of: conductors, contacts, fuses, loads, and the pins and connectors of its wires.

Nodes of the electrical network are named as a technician would: `ECM.C1.3` is the harness side of cavity 3,
`ECM:GND` the module's own side of the pin, `X4.2a` and `X4.2b` the two halves of an in-line connector,
`F12.1`/`F12.2` the feed and load side of a fuse, `G101` a ground point, `BODY` the body, `BAT+`/`BAT-` the
battery posts, `K1.30`/`K1.87`/`K1.85`/`K1.86` a relay (terminal numbers of DIN 72552).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sim.vehicle.ethernet import PhyRole

ResistorKind = Literal["trace", "joint", "terminator", "input", "sensor", "short"]
TERMINATOR_OHM = 120.0  # ISO 11898-2, nominal
OTHER_LEGS = {"H": "L", "P": "N"}  # the wire beside: low beside high, minus beside plus
TESTER = "TESTER"  # the node name of a tester at the diagnostic connector
TESTER_LINK = "TESTER.ethernet"  # its channel on an Ethernet link of the connector
TESTER_MIN_V = 8.0  # at pin 16, which feeds it; common practice
CHARGE_CABLE = "charge_cable"  # as a hand switch: a charging cable is in the inlet
RELAY_OHM = 0.002  # closed contact: 1.5..2 mohm typical, relay data sheets


def part_of(name: str) -> str:
    """The part that a node or element is named after: `ECM` of `ECM.C1.3`, `F12` of `F12.2--ECM.C1.1`."""
    return name.partition(".")[0]


@dataclass(frozen=True, slots=True)
class Element:
    """Something with two ends, `a` and `b`, that current can pass."""

    id: str
    a: str
    b: str


@dataclass(frozen=True, slots=True)
class Wire(Element):
    """A conductor of stranded copper."""

    length_m: float
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Contact(Element):
    """One mated pair of terminals of a connector."""

    connector: str
    ohm: float = 0.005  # new contact 1..5 mohm, from memory


@dataclass(frozen=True, slots=True)
class FuseLink(Element):
    """A fuse in its holder."""

    rating_a: float


@dataclass(frozen=True, slots=True)
class Coil(Element):
    """A relay's coil."""

    relay: str
    ohm: float
    pull_in_v: float
    drop_out_v: float


@dataclass(frozen=True, slots=True)
class RelayContact(Element):
    """A relay's contact 30-87, closed while the coil is pulled in."""

    relay: str
    ohm: float = RELAY_OHM


@dataclass(frozen=True, slots=True)
class HandSwitch(Element):
    """A contact that a person moves: closed by that, or opened if it rests closed."""

    operated_by: str
    ohm: float = 0.02
    rests_closed: bool = False


@dataclass(frozen=True, slots=True)
class Driver(Element):
    """A module's high-side output: closed while the module runs and wants it."""

    module: str
    output: str
    ohm: float = 0.05


@dataclass(frozen=True, slots=True)
class Bias(Element):
    """What feeds a module's watched circuits, from its supply while it runs."""

    module: str
    ohm: float


@dataclass(frozen=True, slots=True)
class ShortingBar(Element):
    """Joins the pins of a connector that is off."""

    connector: str
    ohm: float = 0.05


@dataclass(frozen=True, slots=True)
class Resistor(Element):
    """A fixed resistance: terminator, joint, trace on a circuit board."""

    ohm: float
    kind: ResistorKind = "trace"


@dataclass(frozen=True, slots=True)
class LiftedJoint(Resistor):
    """A ground joint at `volt` above the body: others' stray current through it, as one number."""

    volt: float = 0.0


@dataclass(frozen=True, slots=True)
class LoadPart(Element):
    """Something that draws current."""

    ohm: float
    kind: str


@dataclass(frozen=True, slots=True)
class Draw(Element):
    """What a module's own electronics draw from one supply pin, by its state."""

    module: str
    run_a: float
    sleep_a: float


@dataclass(frozen=True, slots=True)
class UnitMotor(Element):
    """The motor of a unit that a module commands: draws a share of `full_a`, by its speed."""

    unit: str
    full_a: float


@dataclass(frozen=True, slots=True)
class ReferenceSupply(Element):
    """A module's supply for sensors at `a` against `b`, on while the module runs."""

    module: str
    volt: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class CurrentSink(Element):
    """A two-wire sensor: draws `limit_a` from `a` to `b` above `least_v` between them, less below."""

    least_v: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class Source(Element):
    """The battery (`BAT`), with its internal resistance."""

    ohm: float


@dataclass(frozen=True, slots=True)
class GeneratorOutput(Element):
    """The generator (`GEN`) from its B+ terminal to its case: `volt` through `ohm`, up to `limit_a`."""

    volt: float
    ohm: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class GeneratorSignal(Element):
    """The generator's lamp terminal `GEN.L`: joined to B+ while it charges."""

    ohm: float


@dataclass(frozen=True, slots=True)
class PilotSource(Element):
    """A charging station at the pilot of an inlet: `volt` through `ohm` while its cable is plugged in."""

    volt: float
    ohm: float


@dataclass(frozen=True, slots=True)
class CableCode(Element):
    """The resistor in the plug of a charging cable that tells its rating, while it is plugged in."""

    ohm: float


@dataclass(frozen=True, slots=True)
class PilotDiode(Element):
    """The diode after a car's pilot contact: its forward voltage and `ohm`, while a cable is plugged in."""

    volt: float
    ohm: float


@dataclass(frozen=True, slots=True)
class Transceiver:
    """One module's connection to one bus; `h`, `l`, `gnd` are nodes inside the module.

    On an Ethernet link it is a PHY, and `h` and `l` are the plus and minus of its pair.
    """

    id: str  # e.g. "ECM.powertrain", also the name of the channel on the network
    module: str
    bus: str
    h: str
    l: str  # noqa: E741  (CAN low: the field's own name)
    gnd: str
    bitrate_bps: int
    phy: PhyRole | None = None  # of a 100BASE-T1 link; None: a CAN transceiver


@dataclass(frozen=True, slots=True)
class PullUp(Element):
    """What holds a LIN wire up: from a module's supply `a` through a diode and `ohm` to its pin `b`."""

    module: str
    ohm: float


@dataclass(frozen=True, slots=True)
class LinPort:
    """One module's connection to one LIN cluster, at `node` against `gnd`, both inside the module."""

    id: str  # e.g. "RAIN.roof", also the name of the channel on the network
    module: str
    bus: str  # the cluster
    node: str
    gnd: str
    is_master: bool


@dataclass(frozen=True, slots=True)
class Pin:
    """One cavity of a connector: `id` (`ECM.C1.3`), its function (`GND`) and its inner node (`ECM:GND`)."""

    id: str
    connector: str
    cavity: str
    function: str
    inner: str


@dataclass(frozen=True, slots=True)
class Connector:
    """A connector that can be taken off: a module's, an in-line one, a battery clamp, the DLC.

    An orange one carries high voltage beside the interlock's pins: `sim.vehicle.orange`.
    """

    id: str
    owner: str  # module, or "" for an in-line connector
    kind: Literal["module", "sensor", "part", "inline", "battery", "dlc", "orange"]
    pins: tuple[Pin, ...]
    location: str = ""
