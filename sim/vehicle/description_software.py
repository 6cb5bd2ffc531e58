"""What a description says of modules: pins, messages, monitors, outputs, and their common rules."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AliasChoices, BeforeValidator, Field

from sim.vehicle.conditions import ALWAYS, Condition, PowerMode, SignalValue
from sim.vehicle.description_base import (
    AnyMessageId,
    CanId,
    DtcText,
    Listed,
    MessageId,
    Name,
    Ohms,
    Part,
    listed,
)
from sim.vehicle.j1939 import HIGHEST_ADDRESS, Lamp


class Message(Part):
    """A periodic message of a module, on CAN or in a slot of a LIN schedule, which then gives its period.

    length: above 8 only as one of the sizes of CAN FD, and only on buses that have it.
    id: above 7FF it has 29 bits.
    pgn, priority: of a message on a bus of SAE J1939, which has no `id` of its own.
    """

    id: AnyMessageId | None = None
    pgn: int | None = Field(None, ge=0, le=0x1FFFF)  # default: the next free one of 65280 to 65535
    priority: int = Field(6, ge=0, le=7)  # usual for information (SAE J1939-21, second-hand)
    period_ms: float = Field(100, ge=5, le=60_000)
    offset_ms: float | None = Field(None, ge=0)
    length: int = Field(8, ge=0, le=64)
    signals: tuple[Name, ...] = ()


class Signal(Part):
    """How a module works out a signal that it sends.

    `when`: true or false by a condition. `fact`: something that this module itself knows.
    `uses`: signals of others it is worked out from; with one missing it is marked invalid, a substitute
    is sent, or the last value is held; the same while a code about one of its `circuits` fails, parts that
    this module watches. `value`: a fixed value, by default the flag true.
    """

    when: Condition | None = None
    fact: (
        Literal[
            "power_mode",
            "engine_state",
            "vehicle_speed_kph",
            "immobilizer",
            "engine_speed_rpm",
            "engine_lamp",
            "high_voltage",
            "insulation",
            "pack_charge_pct",
            "pack_full",
            "battery_charge_pct",
        ]
        | None
    ) = None
    uses: tuple[Name, ...] = ()
    circuits: tuple[Name, ...] = ()
    missing: Literal["invalid", "substitute", "hold"] = "invalid"
    substitute: SignalValue = False
    value: SignalValue = True


class J1939Code(Part):
    """How a trouble code is told on a bus of SAE J1939: suspect parameter, failure mode, and the lamp it asks
    for.
    """

    # default: of a lost or invalid message 2000 plus the sender's address, otherwise one of the maker's own
    spn: int | None = Field(None, ge=0, le=0x7FFFF)
    fmi: int | None = Field(None, ge=0, le=31)  # default: the one nearest to the code's failure type
    lamp: Lamp | Literal["none"] = "warning"


class Monitor(J1939Code):
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
Heard = Annotated[
    Monitor,
    BeforeValidator(lambda v: {"from": v} if isinstance(v, str) else v, json_schema_input_type=str | Monitor),
]


class CircuitCheck(J1939Code):
    """A module watching the voltage at one of its own pins.

    It fails below `below_v`, above `above_v`, or, if it `agrees_with` another pin of the module, farther than
    `within_v` from `times` the voltage there; this is judged only while no other check of either pin fails,
    so that a broken wire sets the code of its own track alone.
    """

    pin: Name
    below_v: float | None = Field(None, ge=0, le=60)
    above_v: float | None = Field(None, ge=0, le=60)
    agrees_with: Name | None = None
    times: float = Field(1.0, gt=0, le=100)
    within_v: float = Field(0.2, gt=0, le=60)
    code: DtcText
    mature_ms: float = Field(500, ge=0)
    heal_ms: float = Field(500, ge=0)
    when: Condition | None = None
    after_ms: float = Field(500, ge=0)


class Output(Part):
    """A high-side driver: switches the module's supply to its pin while `when` is true."""

    title: str = ""
    when: Condition


class PulseStep(Part):
    """One duty cycle of an output, and when it applies."""

    when: Condition
    pct: int = Field(ge=1, le=100)


class PulsedOutput(Part):
    """A low-side driver that switches its pin to ground `hz` times a second, for a share of each period.

    The first of `steps` whose condition holds gives the share; none, and the pin is left alone. The load that
    ends on the pin pulls it up meanwhile. `battery_code` is set when the pin does not fall.
    """

    title: str = ""
    hz: float = Field(100, ge=1, le=2000)  # common practice for fans; valves 10 to 300 Hz
    steps: tuple[PulseStep, ...] = Field(min_length=1)
    battery_code: DtcText | None = None


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
    """A wired input: active while its pin is above `above_v`, by default half of the module's supply."""

    pull_ohm: Ohms = 10_000
    above_v: float | None = Field(None, gt=0, le=60)


COLOR_KEYS = AliasChoices("color", "colour")  # the second stands in files of earlier versions


class Telltale(Part):
    """A warning lamp of an instrument cluster."""

    title: str = ""
    when: Condition
    color: Literal["red", "amber", "green", "blue"] = Field("amber", validation_alias=COLOR_KEYS)
    bulb_check: bool | None = None  # lights at ignition on for the lamp check; default: red and amber ones

    @property
    def is_checked(self) -> bool:
        """Does it light for the lamp check?"""
        return self.color in ("red", "amber") if self.bulb_check is None else self.bulb_check


class Guard(Part):
    """What a gateway refuses from the diagnostic connector until it is unlocked; by default nothing.

    right_lasts_s: how long it then lets these services pass, whatever session is open; by default as long as
    the session in which it was unlocked.
    """

    refuses_until_unlocked: tuple[Literal["clear", "actuate", "program"], ...] = ()
    right_lasts_s: float | None = Field(None, gt=0)
    delay_ms: float = Field(2, ge=0)


class BusOff(Part):
    """What a module does about its own controller in bus-off.

    It may come back `first_ms` after each of the first `count` times, `later_ms` after each further time,
    and 128 times 11 recessive bits later (ISO 11898-1). The three figures are those of one published example
    configuration of AUTOSAR's CAN state manager, which gives no defaults. The test passes once it has been
    back for `heal_ms`. `monitors_rest`: it judges no message of that bus while it is off.
    """

    first_ms: float = Field(100, ge=0)
    later_ms: float = Field(1000, ge=0)
    count: int = Field(10, ge=0)
    mature_ms: float = Field(0, ge=0)
    heal_ms: float = Field(500, gt=0)
    monitors_rest: bool = False


class J1939Controller(Part):
    """A module on a bus of SAE J1939: the address that it claims, and its NAME (SAE J1939-81).

    Of two that claim one address the lower NAME keeps it. The other looks for a free one if it `moves`,
    otherwise it falls silent. Address and function have a default for usual roles (from memory).
    """

    address: int | None = Field(None, ge=0, le=HIGHEST_ADDRESS)
    function: int | None = Field(None, ge=0, le=255)
    function_instance: int = Field(0, ge=0, le=31)
    ecu_instance: int = Field(0, ge=0, le=7)
    industry_group: int = Field(1, ge=0, le=7)  # 0 global, 1 on-highway
    manufacturer: int = Field(0, ge=0, le=2047)  # 0: of none that is registered
    identity: int | None = Field(None, ge=0, le=0x1FFFFF)  # default: the module's place in the file, from 1
    moves: bool = False


SetUp = Literal["coding", "keys", "calibration"]


class Module(Part):
    """A control module: pins, software behavior, messages and monitors."""

    title: str = ""
    role: str | None = None  # SAE J1930 abbreviation or trade word; default: the module's own name
    location: str = ""
    ground: Listed = ()
    connectors: dict[Name, tuple[str, ...]] = Field(default_factory=dict)
    address: CanId | None = None  # diagnostic request id; it answers 8 above (ISO 15765-4)
    j1939: J1939Controller = J1939Controller()  # on a bus of SAE J1939
    min_supply_v: float = Field(6.0, gt=0, le=60)  # brown-out; common practice
    restart_supply_v: float = Field(6.5, gt=0, le=60)
    boot_ms: float = Field(200, ge=0)  # common practice
    wake: Listed | None = None  # pins, inputs, `fob`, `bus` for any bus, or the name of one
    stay_awake_ms: float = Field(2000, ge=0)  # how long it goes on sending with no reason to
    sleep_after_ms: float = Field(5000, ge=0)  # how long a bus without network management must be quiet
    run_a: float = Field(0.3, gt=0, le=50)
    sleep_a: float = Field(0.0006, ge=0, le=5)
    sends: dict[Name, Message] | None = None
    signals: dict[Name, Signal] = Field(default_factory=dict)
    hears: Annotated[
        tuple[Heard, ...], BeforeValidator(listed, json_schema_input_type=Heard | tuple[Heard, ...])
    ] = ()
    hears_when: Condition | None = None  # for every monitor of `hears` that has no `when` of its own
    waits_for: Annotated[
        tuple[Name, ...], BeforeValidator(listed, json_schema_input_type=Name | tuple[Name, ...])
    ] = ()
    shuts_down_when: Condition | None = None
    checks: tuple[CircuitCheck, ...] = ()
    inputs: dict[Name, Input] = Field(default_factory=dict)
    references: dict[Name, Reference] = Field(default_factory=dict)
    outputs: dict[Name, Output] = Field(default_factory=dict)
    pulsed: dict[Name, PulsedOutput] = Field(default_factory=dict)
    telltales: dict[Name, Telltale] = Field(default_factory=dict)
    bulb_check_s: float = Field(3, ge=0, le=60)  # lamp check at ignition on; common practice
    fob_receiver: bool = False
    # what a new one needs from a tester before it does its work; common practice, by the maker's instructions
    set_up: Annotated[
        tuple[SetUp, ...], BeforeValidator(listed, json_schema_input_type=SetUp | tuple[SetUp, ...])
    ] = ()
    calibration_code: DtcText = "U3000-54"  # set while its calibration is missing
    gateway: Guard | None = None
    bus_off: BusOff = BusOff()
    # how long a transceiver lets its transmit input hold the bus dominant, `none` for an old one without this
    # guard: data sheets give at least 1.25 ms and a few at most (a typical figure, from memory)
    dominant_timeout_ms: Annotated[float, Field(gt=0, le=1000)] | Literal["none"] = 2.0
    confirm_cycles: int = Field(1, ge=1, le=10)
    aging_cycles: int = Field(40, ge=1, le=255)


class ModeRule(Part):
    """One rule of the power-mode master: in mode `from`, on `on`, while `if` is true, go to `to`."""

    from_: Annotated[
        tuple[PowerMode, ...],
        BeforeValidator(lambda v: _modes(v), json_schema_input_type=PowerMode | tuple[PowerMode, ...]),
    ] = Field(alias="from")
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
    # set by the engine's module when it is denied, and by the authority that denies it (None: no code)
    code: DtcText = "P0513"
    authority_code: DtcText | None = None


class StartStop(Part):
    """How the engine's module stops the engine at a standstill and starts it again by itself.

    It stops the engine once `stop_when` has been true for `after_s`, after the car has driven (`drives_when`)
    since the last stop, while each of the conditions of `allowed` is true and the coolant is warm. It
    starts the engine again when one of them ends; if `restarts_when` is not true then, the driver has to.
    The figures are common practice.

    Not modeled: a button that switches it off, stops while the car still rolls, a second battery.
    """

    stop_when: Condition
    drives_when: Condition
    allowed: dict[Name, Condition] = Field(default_factory=dict, max_length=32)
    restarts_when: Condition = ALWAYS
    warm_above_c: float = Field(40, ge=-40, le=85)
    after_s: float = Field(0.6, ge=0, le=10)
    gives_up_s: float = Field(4, gt=0, le=30)  # of cranking
