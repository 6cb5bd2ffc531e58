"""The wiring of a description: battery, buses, fuses, relays, grounds, connectors, switches, sensors."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from sim.vehicle.description_base import (
    MOST_MODULES,
    Bitrate,
    DtcText,
    LinBitrate,
    Listed,
    Meters,
    Name,
    Ohms,
    Part,
    SquareMm,
)
from sim.vehicle.ethernet import BITRATE_BPS as ETHERNET_BPS
from sim.vehicle.lin import HIGHEST_ID
from sim.vehicle.wire_ends import LineStop, WireEnd, line_stop, wire_end

MOST_PARTIAL = 48  # bits of the six bytes after the control bit vector of a management frame
REGULATOR_SET_C = 25.0  # the temperature at which a regulator's set point is stated; common practice


class Battery(Part):
    """The starter battery and its main cables: one of 12 V, or several of them in series.

    Not modeled: a balancer between batteries in series.
    """

    in_series: int = Field(1, ge=1, le=2)  # two make 24 V: `BAT` at the ground cable, `BAT2` above it
    capacity_ah: float = Field(60, gt=0, le=400)
    charge_pct: float = Field(95, ge=0, le=100)
    # 3..6 mohm new and warm (from memory); this leaves about 10 V at the posts while cranking, inside the
    # 9.5..10.5 V that trade sources call healthy
    internal_ohm: Ohms = 0.012
    cable_m: Meters = 1.5
    ground_cable_m: Meters = 0.5
    cable_mm2: SquareMm = 50

    @property
    def names(self) -> tuple[str, ...]:
        """Its batteries, from the ground cable up."""
        return ("BAT", "BAT2")[: self.in_series]


class NetworkManagement(Part):
    """When the modules of a bus keep each other awake, and when they sleep together.

    Names as in AUTOSAR's CAN network management (RepeatMessageTime, NM-Timeout or TimeoutTime,
    WaitBusSleepTime, MsgCycleTime, ImmediateNmTransmissions, ImmediateNmCycleTime), which gives ranges and no
    defaults: these values are those of a published example of a configuration, identifiers included.
    """

    # module n of the file, from 0, sends first_id + n
    first_id: int = Field(0x500, ge=0, le=0x700 - MOST_MODULES)
    msg_cycle_ms: float = Field(1000, ge=10, le=60_000)
    repeat_message_ms: float = Field(3000, ge=0, le=65_535)
    timeout_ms: float = Field(3000, ge=2, le=65_535)
    wait_bus_sleep_ms: float = Field(1500, ge=1, le=65_535)
    immediate_transmissions: int = Field(10, ge=0, le=100)
    immediate_cycle_ms: float = Field(20, ge=5, le=1000)
    # partial networks, each with the modules that it keeps awake; one in none of them hears every frame
    partial: dict[Name, Listed] = Field(default_factory=dict, max_length=MOST_PARTIAL)

    @model_validator(mode="after")
    def _in_proportion(self) -> NetworkManagement:
        if self.timeout_ms <= self.msg_cycle_ms:
            raise ValueError(f"timeout_ms must be above msg_cycle_ms, {self.msg_cycle_ms:g}")
        burst_ms = self.immediate_transmissions * self.immediate_cycle_ms
        if 0 < self.repeat_message_ms <= burst_ms:
            raise ValueError(f"repeat_message_ms must be 0 or above the immediate frames' {burst_ms:g} ms")
        return self


class Bus(Part):
    """A CAN bus as a line of modules in physical order, or a 100BASE-T1 link between two modules.

    An item of `line` is a module (`ECM`), `ECM terminated` (120 ohm inside the module), `PARK-BRAKE through`
    (the pair goes in and out by the module's connector), an in-line connector (`X10`), `DLC`, or
    `R1 terminator` (a resistor in the harness). A link of 100BASE-T1 has a module at each end, whose PHYs
    terminate it, and only in-line connectors between them. Between a gateway and the `DLC` it is for
    diagnostics over IP (ISO 13400): the gateway is the edge node, and a tester asks through it.
    """

    title: str = ""
    bitrate_bps: Bitrate | Literal[100_000_000] = 500_000  # of 100BASE-T1 always 100 Mbit/s
    fd: FlexibleData | None = None  # None: classical CAN
    # SAE J1939: 29-bit identifiers, addresses, its own diagnosis. 100BASE-T1: an Ethernet link
    protocol: Literal["j1939", "100base-t1"] | None = None
    master: Name | None = None  # of 100BASE-T1: whose PHY is master; default: the first module of the line
    line: tuple[str, ...]
    off_code: DtcText | None = None  # of a module in bus-off; default: U0073 for the first bus, U0074, ...
    span_m: Meters = 1.0  # between neighbors on the line
    stub_m: Meters = 0.3  # common figure at 1 Mbit/s in transceiver data sheets
    area_mm2: SquareMm = 0.35
    network_management: NetworkManagement | None = None  # None: each module sleeps by its own times

    @property
    def stops(self) -> tuple[LineStop, ...]:
        """The stops of its line, in order."""
        return tuple(line_stop(item) for item in self.line)

    @model_validator(mode="before")
    @classmethod
    def _at_link_rate(cls, value: Any) -> Any:
        if isinstance(value, dict) and value.get("protocol") == "100base-t1":
            return {"bitrate_bps": ETHERNET_BPS, **value}
        return value

    @model_validator(mode="after")
    def _one_technology(self) -> Bus:
        if self.is_ethernet != (self.bitrate_bps == ETHERNET_BPS):
            raise ValueError("100 Mbit/s is the bit rate of 100base-t1, and its only one")
        if self.is_ethernet and (self.fd or self.network_management):
            raise ValueError("a 100base-t1 link has neither 'fd' nor 'network_management' of CAN")
        if self.master is not None and not self.is_ethernet:
            raise ValueError("'master' is for a 100base-t1 link")
        return self

    @property
    def is_ethernet(self) -> bool:
        """Is it a 100BASE-T1 link?"""
        return self.protocol == "100base-t1"

    @property
    def legs(self) -> tuple[str, str]:
        """The letters of its two wires: high and low on CAN, plus and minus (P, N) on an Ethernet pair."""
        return ("P", "N") if self.is_ethernet else ("H", "L")

    @property
    def phy_master(self) -> str:
        """The module whose PHY is master on an Ethernet link."""
        return self.master or self.stops[0].name

    @property
    def rate(self) -> str:
        """Its bit rate in words."""
        if self.is_ethernet:
            return "100BASE-T1, 100 Mbit/s"
        fast = f", FD {self.fd.data_bitrate_bps // 1000} kbit/s" if self.fd else ""
        return f"{self.bitrate_bps // 1000} kbit/s{fast}"


class FlexibleData(Part):
    """A bus whose modules send CAN FD frames with bit rate switch, and read classical ones as well.

    2 Mbit/s is common practice on a line with stubs; 5 and 8 need transceivers made for it.
    """

    data_bitrate_bps: Literal[1_000_000, 2_000_000, 4_000_000, 5_000_000, 8_000_000] = 2_000_000


class LinSlot(Part):
    """A place in a LIN schedule: the message that is asked for, such as `RAIN.status`.

    id: frame identifier, 0 to 3B; default: the next that is free, from 1 on.
    """

    message: str
    slot_ms: float = Field(10, ge=1, le=1000)
    id: int | None = Field(None, ge=0, le=HIGHEST_ID)


class Lin(Part):
    """A LIN cluster: one wire along `line`, past the master, its slaves and in-line connectors (`X10`).

    The master repeats `schedule`; what is in it runs here and nowhere else. A slave that is on no
    other bus answers no tester: its master reports for it (common practice).
    """

    title: str = ""
    master: Name
    line: tuple[str, ...]
    schedule: tuple[
        Annotated[LinSlot, BeforeValidator(lambda v: _slot(v), json_schema_input_type=str | LinSlot)], ...
    ] = Field(min_length=1)
    bitrate_bps: LinBitrate = 19_200
    span_m: Meters = 1.0
    stub_m: Meters = 0.3
    area_mm2: SquareMm = 0.35


def _slot(value: Any) -> Any:
    return {"message": value} if isinstance(value, str) else value


class Fuse(Part):
    """A fuse: where it is fed from and what it feeds.

    `from` is `battery`, a relay or another fuse. An item of `feeds` is a module (`ECM`: its permanent
    supply `B+`), a pin (`ECM.IGN`), a load, a switch or `DLC`, with `via X10` after it where the wire passes
    an in-line connector.
    """

    title: str = ""
    rating_a: float = Field(gt=0, le=500)
    from_: str = Field("battery", alias="from")
    feeds: Listed = ()
    length_m: Meters = 2.0
    area_mm2: SquareMm | None = None  # default: the usual size for the rating
    location: str = "fuse box"

    @property
    def ends(self) -> tuple[WireEnd, ...]:
        """Where its wires end."""
        return tuple(wire_end(item) for item in self.feeds)


class Relay(Part):
    """A change of path by a coil: contact 30 to 87, coil 86 (driven) to 85 (ground).

    `coil` is what drives it: a module's output such as `BCM.run_relay`, or a hand switch, such as a key's.
    """

    title: str = ""
    coil: str
    from_: str = Field("battery", alias="from")
    feeds: Listed = ()
    ground: str | None = None
    coil_ohm: Ohms = 85  # mini ISO relay data sheets
    pull_in_v: float = Field(6.9, gt=0, le=60)
    drop_out_v: float = Field(1.2, gt=0, le=60)
    location: str = "fuse box"

    @property
    def driver(self) -> WireEnd:
        """The module's output, or the hand switch, that drives its coil."""
        return wire_end(self.coil)

    @property
    def ends(self) -> tuple[WireEnd, ...]:
        """Where its wires end."""
        return tuple(wire_end(item) for item in self.feeds)


class Ground(Part):
    """A ground point of the body."""

    title: str = ""
    location: str = ""
    joint_ohm: Ohms | None = None  # default: 1 mohm; 0.1 mohm where the starter's current returns


class Inline(Part):
    """An in-line connector between two harnesses."""

    title: str = ""
    location: str = ""


class Dlc(Part):
    """The data link connector (pin numbers of SAE J1962: 4 and 5 ground, 6 and 14 CAN, 16 battery)."""

    ground: str | None = None
    location: str = "under the dash"


class Switch(Part):
    """A hand- or foot-operated contact, from a fuse (see the fuse's `feeds`) to inputs of modules."""

    title: str = ""
    operated_by: Literal[
        "brake",
        "button",
        "key_accessory",
        "key_run",
        "key_crank",
        "driver_door",
        "hood",
        "lamp_switch",
        "trailer_plugged",
    ]
    rests_closed: bool = False  # a contact that is opened by what operates it
    to: Listed = ()

    @property
    def ends(self) -> tuple[WireEnd, ...]:
        """Where its wires end."""
        return tuple(wire_end(item) for item in self.to)


class Unit(Part):
    """The electronics of a load with a motor that a module commands over `to`, by pulse width.

    The motor draws `full_a` at full speed, less in proportion, from the load's feed to `ground`.
    """

    full_a: float = Field(gt=0, le=100)
    ground: str | None = None
    works_above_v: float = Field(8, gt=0, le=60)  # common practice
    fails_after_s: float = Field(3, gt=0, le=60)  # without a command it goes to full speed; common practice


class Load(Part):
    """Something that draws current, fed by a fuse or relay.

    Its other side is on `to`: a ground, or a module's pin. With a `unit`, `to` is its command wire and `ohm`
    what pulls that wire up to the feed.
    """

    title: str = ""
    ohm: Ohms
    to: str
    kind: Literal["coil", "injector", "starter", "lamp", "motor", "heater", "other"] = "other"
    unit: Unit | None = None

    @property
    def end(self) -> WireEnd:
        """Where its other side ends."""
        return wire_end(self.to)


class Track(Part):
    """One track of a sensor: fed by a module's reference, its signal a `share` of that, back by `ground`.

    `from`, `signal` and `ground` are pins such as `ECM.ref1`, `via X1` where the wire passes an in-line
    connector.
    """

    from_: str = Field(alias="from")
    signal: str
    ground: str
    share: float = Field(0.4, ge=0.02, le=0.98)  # usual signals lie at 0.5..4.5 V (from memory)

    @property
    def ends(self) -> tuple[WireEnd, WireEnd, WireEnd]:
        """Where its supply, signal and ground wires end."""
        return wire_end(self.from_), wire_end(self.signal), wire_end(self.ground)


class Sensor(Track):
    """A three-wire sensor, or one of two tracks and six wires, such as an accelerator pedal's.

    Its connector has three cavities for each track, in the order supply, signal, ground. The second track of
    a pedal gives half the voltage of the first, so that a short between both signals shows (common practice).
    """

    title: str = ""
    ohm: Ohms = 1000  # between a track's supply and its ground: 5 mA; common practice
    location: str = ""
    second: Track | None = None
    sent_code: DtcText | None = None  # it tells its value in SENT frames (SAE J2716); set if none come

    @property
    def tracks(self) -> tuple[Track, ...]:
        """Its one track, or both."""
        return (self,) if self.second is None else (self, self.second)


class Charging(Part):
    """What charges the 12 V battery: it holds a voltage at its B+ terminal up to a current."""

    set_v: float = Field(14.2, gt=0, le=60)  # shops expect 13.5 to 14.7 V at the battery
    mv_per_k: float = Field(-10, ge=-50, le=0)
    temperature_c: float = Field(25, ge=-40, le=125)
    ohm: Ohms = 0.002  # the regulator's own fall: 0.2 V at 100 A
    limit_a: float = Field(120, gt=0, le=500)
    cable_m: Meters = 1.5
    cable_mm2: SquareMm = 25
    ground: str | None = None

    @property
    def regulated_v(self) -> float:
        """Set point at its temperature, in V."""
        return self.set_v + self.mv_per_k / 1000 * (self.temperature_c - REGULATOR_SET_C)


class Generator(Charging):
    """The engine-driven generator with its regulator (SAE J1930: GEN).

    It holds `set_v` at 25 °C, `mv_per_k` more or less per kelvin of `temperature_c`, at its B+ terminal up to
    `limit_a`; beyond, its voltage gives way at that current. A fuse that feeds `GEN` is its fusible link;
    without one its cable runs straight to the distribution rail. `lamp`: the module's input
    (`CLUSTER.charge`) on its lamp terminal. All values are common practice for a 12 V car.

    Not modeled: less current at low engine speed, the belt, the rotor's own current, self-heating.
    """

    lamp: str | None = None
