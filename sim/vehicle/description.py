"""What a person writes about a car: the shape of a vehicle file.

Everything that a technician would expect has a default, so a small car is a page; unknown keys are
refused. Defaults marked *common practice* have no standard behind them: a file may change each of them,
and `busbay car FILE --full` prints them all.

Not modelled: options of one car line, software versions, manual gearboxes.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from sim.vehicle.conditions import ALWAYS, Condition, PowerMode, SignalValue
from sim.vehicle.lin import HIGHEST_ID


def _written_as(pattern: str, what: str) -> AfterValidator:
    def check(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(what)
        return text

    return AfterValidator(check)


# the few marks that wiring diagrams use, and no dot: it parts a module from its pin
NAME = r"[A-Za-z][A-Za-z0-9_+\-]{0,39}"
Name = Annotated[
    str,
    _written_as(NAME, "a name is a letter and up to 39 letters, digits, _, + or -"),
]
CanId = Annotated[int, Field(ge=0, le=0x7FF)]
MessageId = Annotated[int, Field(ge=0), AfterValidator(lambda can_id: _below_diagnosis(can_id))]
Bitrate = Literal[125_000, 250_000, 500_000, 1_000_000]
LinBitrate = Literal[2_400, 9_600, 19_200]  # usual rates up to the 20 kbit/s of ISO 17987 (from memory)
# A wire of no length or no resistance has no place in a network that is solved by numbers.
Metres = Annotated[float, Field(ge=0.01, le=40)]
SquareMm = Annotated[float, Field(ge=0.05, le=120)]
Ohms = Annotated[float, Field(ge=0.0001, le=10_000_000)]
DtcText = Annotated[
    str, _written_as(r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?", "a trouble code is written U0100 or U0100-87")
]
MOST_MODULES = 90  # as many request identifiers as are left between 710 and 7CF


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str | dict) else value


def _below_diagnosis(can_id: int) -> int:
    if can_id >= 0x700:
        raise ValueError("a message's identifier is at most 0x6FF: those above carry diagnosis")
    return can_id


REGULATOR_SET_C = 25.0  # the temperature at which a regulator's set point is stated; common practice


class Part(BaseModel):
    """Ground of every part of a description: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _no_yes_for_a_number(cls, value: Any, info: ValidationInfo) -> Any:
        annotation = cls.model_fields[info.field_name or ""].annotation
        if isinstance(value, bool) and annotation in (float, int, float | None, int | None):
            raise ValueError(f"'{info.field_name}' is a number")
        return value


class Battery(Part):
    """A 12 V starter battery and its main cables."""

    capacity_ah: float = Field(60, gt=0, le=400)
    charge_pct: float = Field(95, ge=0, le=100)
    # 3..6 mohm new and warm (from memory); this leaves about 10 V at the posts while cranking, inside the
    # 9.5..10.5 V that trade sources call healthy
    internal_ohm: Ohms = 0.012
    cable_m: Metres = 1.5
    ground_cable_m: Metres = 0.5
    cable_mm2: SquareMm = 50


class NetworkManagement(Part):
    """When the modules of a bus keep each other awake, and when they sleep together.

    Names as in AUTOSAR's CAN network management (RepeatMessageTime, NM-Timeout or TimeoutTime,
    WaitBusSleepTime, MsgCycleTime, ImmediateNmTransmissions, ImmediateNmCycleTime), which gives ranges and no
    defaults: these values stand in a published example of a configuration, identifiers included.
    """

    # module n of the file, from 0, sends first_id + n
    first_id: int = Field(0x500, ge=0, le=0x700 - MOST_MODULES)
    msg_cycle_ms: float = Field(1000, ge=10, le=60_000)
    repeat_message_ms: float = Field(3000, ge=0, le=65_535)
    timeout_ms: float = Field(3000, ge=2, le=65_535)
    wait_bus_sleep_ms: float = Field(1500, ge=1, le=65_535)
    immediate_transmissions: int = Field(10, ge=0, le=100)
    immediate_cycle_ms: float = Field(20, ge=5, le=1000)

    @model_validator(mode="after")
    def _in_proportion(self) -> NetworkManagement:
        if self.timeout_ms <= self.msg_cycle_ms:
            raise ValueError(f"timeout_ms must be above msg_cycle_ms, {self.msg_cycle_ms:g}")
        burst_ms = self.immediate_transmissions * self.immediate_cycle_ms
        if 0 < self.repeat_message_ms <= burst_ms:
            raise ValueError(f"repeat_message_ms must be 0 or above the immediate frames' {burst_ms:g} ms")
        return self


class Bus(Part):
    """A CAN bus as a line of modules in physical order.

    An item of `line` is a module (`ECM`), `ECM terminated` (120 ohm inside the module), `EPB through`
    (the pair goes in and out by the module's connector), an in-line connector (`X10`), `DLC`, or
    `R1 terminator` (a resistor in the harness).
    """

    title: str = ""
    bitrate_bps: Bitrate = 500_000
    fd: FlexibleData | None = None  # None: classical CAN
    line: tuple[str, ...]
    off_code: DtcText | None = None  # of a module in bus-off; default: U0073 for the first bus, U0074, ...
    span_m: Metres = 1.0  # between neighbours on the line
    stub_m: Metres = 0.3  # common figure at 1 Mbit/s in transceiver data sheets
    area_mm2: SquareMm = 0.35
    network_management: NetworkManagement | None = None  # None: each module sleeps by its own times


class FlexibleData(Part):
    """A bus whose modules send CAN FD frames with bit rate switch, and read classical ones as well.

    2 Mbit/s is common practice on a line with stubs; 5 and 8 need transceivers made for it.
    """

    data_bitrate_bps: Literal[1_000_000, 2_000_000, 4_000_000, 5_000_000, 8_000_000] = 2_000_000


class LinSlot(Part):
    """A place in a LIN schedule: the message that is asked for, such as `RLS.status`.

    id: frame identifier, 0 to 3B; default: the next that is free, from 1 on.
    """

    message: str
    slot_ms: float = Field(10, ge=1, le=1000)
    id: int | None = Field(None, ge=0, le=HIGHEST_ID)


class Lin(Part):
    """A LIN cluster: one wire along `line`, past the master, its slaves and in-line connectors (`X10`).

    The master repeats `schedule`; what stands in it runs here and nowhere else. A slave that stands on no
    other bus answers no tester: its master reports for it (common practice).
    """

    title: str = ""
    master: Name
    line: tuple[str, ...]
    schedule: tuple[Annotated[LinSlot, BeforeValidator(lambda v: _slot(v))], ...] = Field(min_length=1)
    bitrate_bps: LinBitrate = 19_200
    span_m: Metres = 1.0
    stub_m: Metres = 0.3
    area_mm2: SquareMm = 0.35


def _slot(value: Any) -> Any:
    return {"message": value} if isinstance(value, str) else value


class Fuse(Part):
    """A fuse: where it is fed from and what it feeds.

    `from` is `battery`, a relay or another fuse. An item of `feeds` is a module (`ECM`: its permanent
    supply `B+`), a pin (`ECM.IGN`), a load, a switch or `DLC`, with `via X10` behind it where the wire passes
    an in-line connector.
    """

    title: str = ""
    rating_a: float = Field(gt=0, le=500)
    from_: str = Field("battery", alias="from")
    feeds: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    length_m: Metres = 2.0
    area_mm2: SquareMm | None = None  # default: the usual size for the rating
    location: str = "fuse box"


class Relay(Part):
    """A change of path by a coil: contact 30 to 87, coil 86 (driven) to 85 (ground).

    `coil` is what drives it: a module's output such as `BCM.run_relay`, or a hand switch, such as a key's.
    """

    title: str = ""
    coil: str
    from_: str = Field("battery", alias="from")
    feeds: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    ground: str | None = None
    coil_ohm: Ohms = 85  # mini ISO relay data sheets
    pull_in_v: float = Field(6.9, gt=0, le=60)
    drop_out_v: float = Field(1.2, gt=0, le=60)
    location: str = "fuse box"


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
    """The diagnostic link connector (pin numbers of SAE J1962: 4 and 5 ground, 6 and 14 CAN, 16 battery)."""

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
        "lamp_switch",
        "trailer_plugged",
    ]
    to: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()


class Load(Part):
    """Something that draws current, fed by a fuse or relay.

    Its other side is on `to`: a ground, or a module's pin.
    """

    title: str = ""
    ohm: Ohms
    to: str
    kind: Literal["coil", "injector", "starter", "lamp", "motor", "heater", "other"] = "other"


class Sensor(Part):
    """A three-wire sensor: fed by a module's reference, its signal a `share` of that, back by `ground`.

    `from`, `signal` and `ground` are pins such as `ECM.ref1`, `via X1` where the wire passes an in-line
    connector. Its connector has three cavities, in this order.
    """

    title: str = ""
    from_: str = Field(alias="from")
    signal: str
    ground: str
    ohm: Ohms = 1000  # between its supply and its ground: 5 mA; common practice
    share: float = Field(0.4, ge=0.02, le=0.98)  # usual signals lie at 0.5..4.5 V (from memory)
    location: str = ""


class Message(Part):
    """A periodic message of a module, on CAN or in a slot of a LIN schedule, which then gives its period.

    length: above 8 only as one of the sizes of CAN FD, and only on buses that have it.
    """

    id: MessageId | None = None
    period_ms: float = Field(100, ge=5, le=60_000)
    offset_ms: float | None = Field(None, ge=0)
    length: int = Field(8, ge=0, le=64)
    signals: tuple[Name, ...] = ()


class Signal(Part):
    """How a module works out a signal that it sends.

    `when`: true or false by a condition. `fact`: something that this module itself knows.
    `uses`: signals of others it is worked out from; with one missing it is marked invalid, a substitute
    is sent, or the last value is held. `value`: a fixed value, by default the flag true.
    """

    when: Condition | None = None
    fact: (
        Literal["power_mode", "engine_state", "vehicle_speed_kph", "immobilizer", "engine_speed_rpm"] | None
    ) = None
    uses: tuple[Name, ...] = ()
    missing: Literal["invalid", "substitute", "hold"] = "invalid"
    substitute: SignalValue = False
    value: SignalValue = True


class Monitor(Part):
    """What a module expects to hear, and the code it sets when it does not.

    Limits are common practice: ten periods (never under 100 ms), matured over a further 500 ms.
    """

    from_: Name = Field(alias="from")
    message: Name | None = None
    limit_ms: float | None = Field(None, gt=0)
    mature_ms: float = Field(500, ge=0)
    heal_ms: float = Field(500, ge=0)
    when: Condition | None = None
    after_ms: float = Field(2000, ge=0)  # settling time after the enabling condition comes true
    code: DtcText | None = None
    invalid_code: DtcText | None = None


# `hears: [ECM]` is short for `hears: [{from: ECM}]`
Heard = Annotated[Monitor, BeforeValidator(lambda v: {"from": v} if isinstance(v, str) else v)]


class CircuitCheck(Part):
    """A module watching the voltage at one of its own pins."""

    pin: Name
    below_v: float | None = Field(None, ge=0, le=60)
    above_v: float | None = Field(None, ge=0, le=60)
    code: DtcText
    mature_ms: float = Field(500, ge=0)
    heal_ms: float = Field(500, ge=0)
    when: Condition | None = None
    after_ms: float = Field(500, ge=0)


class Output(Part):
    """A high-side driver: switches the module's supply to its pin while `when` is true."""

    title: str = ""
    when: Condition


class Reference(Part):
    """A 5 V supply that a module gives to sensors while it runs, current-limited.

    The module sets `code` where it leaves `low_v` to `high_v`: 4.75 to 5.25 V for half a second (trade
    articles). Limits of 50, 70, 150 and 300 mA are usual (from memory).
    """

    title: str = ""
    volt: float = Field(5.0, gt=0, le=12)
    limit_a: float = Field(0.1, gt=0, le=2)
    low_v: float = Field(4.75, ge=0, le=12)
    high_v: float = Field(5.25, ge=0, le=60)
    code: DtcText | None = None
    mature_ms: float = Field(500, ge=0)

    def check(self, pin: str) -> CircuitCheck | None:
        """How the module watches it at its own pin; None without a code."""
        if self.code is None:
            return None
        return CircuitCheck(
            pin=pin, below_v=self.low_v, above_v=self.high_v, code=self.code, mature_ms=self.mature_ms
        )


class Input(Part):
    """A wired input: active while its pin is above half of the module's supply."""

    pull_ohm: Ohms = 10_000


class Telltale(Part):
    """A warning lamp of an instrument cluster."""

    title: str = ""
    when: Condition
    colour: Literal["red", "amber", "green", "blue"] = "amber"


class Guard(Part):
    """What a gateway refuses from the diagnostic connector until it is unlocked; by default nothing."""

    refuses_until_unlocked: tuple[Literal["clear", "actuate", "program"], ...] = ()
    delay_ms: float = Field(2, ge=0)


class BusOff(Part):
    """What a module does about its own controller in bus-off.

    It may come back `first_ms` after each of the first `count` times, `later_ms` after each further time,
    and 128 times 11 recessive bits later (ISO 11898-1). The three figures stand in one published example
    configuration of AUTOSAR's CAN state manager, which gives no defaults. The test passes once it has been
    back for `heal_ms`. `monitors_rest`: it judges no message of that bus while it is off.
    """

    first_ms: float = Field(100, ge=0)
    later_ms: float = Field(1000, ge=0)
    count: int = Field(10, ge=0)
    mature_ms: float = Field(0, ge=0)
    heal_ms: float = Field(500, gt=0)
    monitors_rest: bool = False


class Module(Part):
    """A control module: pins, software behaviour, messages and monitors."""

    title: str = ""
    role: str | None = None  # SAE J1930 abbreviation or trade word; default: the module's own name
    location: str = ""
    ground: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()
    connectors: dict[Name, tuple[str, ...]] = Field(default_factory=dict)
    address: CanId | None = None  # diagnostic request id; it answers 8 above (ISO 15765-4)
    min_supply_v: float = Field(6.0, gt=0, le=60)  # brown-out; common practice
    restart_supply_v: float = Field(6.5, gt=0, le=60)
    boot_ms: float = Field(200, ge=0)  # common practice
    wake: Annotated[tuple[str, ...] | None, BeforeValidator(_listed)] = None  # pins, inputs, `bus`, `fob`
    stay_awake_ms: float = Field(2000, ge=0)  # how long it goes on sending with no reason to
    sleep_after_ms: float = Field(5000, ge=0)  # how long a bus without network management must be quiet
    run_a: float = Field(0.3, gt=0, le=50)
    sleep_a: float = Field(0.0006, ge=0, le=5)
    sends: dict[Name, Message] | None = None
    signals: dict[Name, Signal] = Field(default_factory=dict)
    hears: Annotated[tuple[Heard, ...], BeforeValidator(_listed)] = ()
    hears_when: Condition | None = None  # for every monitor of `hears` that has no `when` of its own
    waits_for: Annotated[tuple[Name, ...], BeforeValidator(_listed)] = ()
    checks: tuple[CircuitCheck, ...] = ()
    inputs: dict[Name, Input] = Field(default_factory=dict)
    references: dict[Name, Reference] = Field(default_factory=dict)
    outputs: dict[Name, Output] = Field(default_factory=dict)
    telltales: dict[Name, Telltale] = Field(default_factory=dict)
    fob_receiver: bool = False
    gateway: Guard | None = None
    bus_off: BusOff = BusOff()
    # how long a transceiver lets its transmit input hold the bus dominant, `none` for an old one without this
    # guard: data sheets give at least 1.25 ms and a few at most (a typical figure, from memory)
    dominant_timeout_ms: Annotated[float, Field(gt=0, le=1000)] | Literal["none"] = 2.0
    confirm_cycles: int = Field(1, ge=1, le=10)
    aging_cycles: int = Field(40, ge=1, le=255)


class ModeRule(Part):
    """One rule of the power-mode master: in mode `from`, on `on`, while `if` is true, go to `to`."""

    from_: Annotated[tuple[PowerMode, ...], BeforeValidator(lambda v: _modes(v))] = Field(alias="from")
    on: Literal["press", "release", "change"] = "press"
    after_s: float = Field(0, ge=0)
    if_: Condition = Field(ALWAYS, alias="if")
    to: Annotated[PowerMode, BeforeValidator(lambda v: "off" if v is False else v)]


def _modes(value: Any) -> Any:
    listed = value if isinstance(value, list | tuple) else [value]
    return ["off" if one is False else one for one in listed]


class PowerModes(Part):
    """The power-mode master and its rules, in order: the first whose condition is true acts."""

    master: Name
    button: Name = "button"
    rules: tuple[ModeRule, ...]


class Immobilizer(Part):
    """Challenge and answer between the module that knows the fobs and the one that starts the engine."""

    authority: Name
    engine: Name
    challenge_id: MessageId = 0x1A0
    answer_id: MessageId = 0x1A1
    release_id: MessageId = 0x1A2
    retry_ms: float = Field(200, ge=10)


class Generator(Part):
    """The engine-driven generator with its regulator (SAE J1930: GEN).

    It holds `set_v` at 25 °C, `mv_per_k` more or less per kelvin of `temperature_c`, at its B+ terminal up to
    `limit_a`; beyond, its voltage gives way at that current. A fuse that feeds `GEN` is its fusible link;
    without one its cable runs straight to the feed bar. `lamp`: the module's input (`IPC.charge`) on its
    lamp terminal. All values are common practice for a 12 V car.

    Not modelled: less current at low engine speed, the belt, the rotor's own current, self-heating.
    """

    set_v: float = Field(14.2, gt=0, le=60)  # shops expect 13.5 to 14.7 V at the battery
    mv_per_k: float = Field(-10, ge=-50, le=0)
    temperature_c: float = Field(25, ge=-40, le=125)
    ohm: Ohms = 0.002  # the regulator's own fall: 0.2 V at 100 A
    limit_a: float = Field(120, gt=0, le=500)
    cable_m: Metres = 1.5
    cable_mm2: SquareMm = 25
    ground: str | None = None  # default: the starter's
    lamp: str | None = None

    @property
    def regulated_v(self) -> float:
        """Set point at its temperature, in V."""
        return self.set_v + self.mv_per_k / 1000 * (self.temperature_c - REGULATOR_SET_C)


class Engine(Part):
    """The engine as far as starting goes.

    It cranks while the starter has voltage, and fires once cranked for `fires_after_s` with at least
    `cylinders_needed` cylinders whose coil and injector are fed, under a controller that runs and is
    released.
    """

    controller: Name
    starter: Name
    coils: tuple[Name, ...]
    injectors: tuple[Name, ...]
    fires_after_s: float = Field(0.8, gt=0)
    cylinders_needed: int = Field(3, ge=1)
    generator: Generator = Generator()
    cranks_above_v: float = Field(6.0, gt=0)


class Vehicle(Part):
    """A whole vehicle file."""

    car: str = Field(min_length=1, max_length=120)
    about: str = ""
    battery: Battery = Battery()
    buses: dict[Name, Bus] = Field(min_length=1, max_length=20)
    lin: dict[Name, Lin] = Field(default_factory=dict, max_length=20)
    fuses: dict[Name, Fuse] = Field(default_factory=dict)
    grounds: dict[Name, Ground] = Field(default_factory=lambda: {"G1": Ground()}, min_length=1)
    relays: dict[Name, Relay] = Field(default_factory=dict)
    inline: dict[Name, Inline] = Field(default_factory=dict)
    switches: dict[Name, Switch] = Field(default_factory=dict)
    loads: dict[Name, Load] = Field(default_factory=dict)
    sensors: dict[Name, Sensor] = Field(default_factory=dict)
    dlc: Dlc = Dlc()
    modules: dict[Name, Module] = Field(min_length=1, max_length=MOST_MODULES)
    power_modes: PowerModes | None = None
    immobilizer: Immobilizer | None = None
    engine: Engine | None = None
