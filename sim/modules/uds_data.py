"""The data identifiers of modules: what a module encodes and a tester decodes, by one table.

Identifiers F1xx: ISO 14229-1, named by udsoncan. Those below 0x1000 lie in the range left to the vehicle's
maker and are our own.

Not modeled: identifiers that can be written.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar, get_args

from sim.modules.uds_protocol import Session
from sim.vehicle.conditions import PowerMode

POWER_MODES: Final[tuple[PowerMode, ...]] = get_args(PowerMode)
UNKNOWN_POWER_MODE: Final = 0xFF

Value = TypeVar("Value")


class BadResponse(Exception):
    """A response that does not fit its request, with the reason."""


def expect(condition: bool, otherwise: str) -> None:
    """Raise BadResponse unless the condition holds."""
    if not condition:
        raise BadResponse(otherwise)


def unsigned(value: float, size: int) -> bytes:
    """The nearest whole number that `size` bytes can carry."""
    return max(0, min((1 << 8 * size) - 1, round(value))).to_bytes(size, "big")


@dataclass(frozen=True, slots=True)
class DataIdentifier(Generic[Value]):
    """One data identifier with its `size` in bytes (None: any), its encoding and decoding."""

    number: int
    name: str
    size: int | None
    encode: Callable[[Any], bytes]
    decode: Callable[[bytes], Value]
    unit: str = ""

    @property
    def number_bytes(self) -> bytes:
        """The two bytes that name it in requests, responses and snapshots."""
        return self.number.to_bytes(2, "big")


def _text(number: int, name: str, size: int | None = None) -> DataIdentifier[str]:
    def encode(text: str) -> bytes:
        return text.encode("ascii", "replace")[:size].ljust(size or 0)

    return DataIdentifier(number, name, size, encode, lambda data: data.decode("ascii", "replace").rstrip())


def _power_mode(data: bytes) -> PowerMode | None:
    mode = data[0]
    expect(mode < len(POWER_MODES) or mode == UNKNOWN_POWER_MODE, f"power mode {mode:02X}")
    return None if mode == UNKNOWN_POWER_MODE else POWER_MODES[mode]


SESSION: Final[DataIdentifier[str]] = DataIdentifier(
    0xF186,
    "diagnostic session",
    1,
    lambda session: bytes([session]),
    lambda data: Session(data[0]).name.lower() if data[0] in set(Session) else f"session {data[0]:02X}",
)
PART_NUMBER: Final = _text(0xF187, "part number")
SERIAL_NUMBER: Final = _text(0xF18C, "serial number")
VIN: Final[DataIdentifier[str]] = DataIdentifier(  # ISO 3779; one that was never written is all FF
    0xF190,
    "vehicle identification number",
    17,
    lambda vin: vin.encode("ascii", "replace")[:17].ljust(17) if vin else b"\xff" * 17,
    lambda data: "blank" if data == b"\xff" * 17 else data.decode("ascii", "replace").rstrip(),
)
SOFTWARE_VERSION: Final = _text(0xF195, "software version")
SUPPLY_VOLTAGE: Final[DataIdentifier[float]] = DataIdentifier(  # in 0.01 V
    0x0100,
    "supply voltage",
    2,
    lambda voltage_v: unsigned(voltage_v * 100, 2),
    lambda data: int.from_bytes(data, "big") / 100,
    "V",
)
POWER_MODE: Final[DataIdentifier[PowerMode | None]] = DataIdentifier(
    0x0101,
    "power mode",
    1,
    lambda mode: bytes([UNKNOWN_POWER_MODE if mode is None else POWER_MODES.index(mode)]),
    _power_mode,
)
MODULE_STATE: Final = _text(0x0102, "module state", 16)
TIME: Final[DataIdentifier[float]] = DataIdentifier(  # in ms
    0x0103,
    "time of the module's clock",
    4,
    lambda time_s: (round(time_s * 1000) % 2**32).to_bytes(4, "big"),
    lambda data: int.from_bytes(data, "big") / 1000,
    "s",
)

# F400 to F4FF: parameters of SAE J1979 by their numbers, in its encoding (ISO 14229-1, named by udsoncan)
COOLANT: Final[DataIdentifier[float]] = DataIdentifier(
    0xF405,
    "coolant temperature",
    1,
    lambda coolant_c: unsigned(coolant_c + 40, 1),
    lambda data: data[0] - 40.0,
    "°C",
)
ENGINE_SPEED: Final[DataIdentifier[float]] = DataIdentifier(
    0xF40C,
    "engine speed",
    2,
    lambda speed_rpm: unsigned(speed_rpm * 4, 2),
    lambda data: int.from_bytes(data, "big") / 4,
    "rpm",
)
VEHICLE_SPEED: Final[DataIdentifier[float]] = DataIdentifier(
    0xF40D, "vehicle speed", 1, lambda speed_kph: unsigned(speed_kph, 1), lambda data: float(data[0]), "km/h"
)

CODING: Final[DataIdentifier[str]] = DataIdentifier(
    0x0300,
    "coding",
    4,
    lambda coding: coding,
    lambda data: "blank" if data == b"\xff" * 4 else data.hex().upper(),
)

_ALL = (
    SESSION, PART_NUMBER, SERIAL_NUMBER, VIN, SOFTWARE_VERSION, SUPPLY_VOLTAGE, POWER_MODE, MODULE_STATE,
    TIME, COOLANT, ENGINE_SPEED, VEHICLE_SPEED, CODING,
)  # fmt: skip
DATA_IDENTIFIERS: Final[dict[int, DataIdentifier[Any]]] = {one.number: one for one in _ALL}


@dataclass(frozen=True, slots=True)
class Identity:
    """What a module says it is: ASCII, all invented; an empty VIN is none. coding: four bytes."""

    vin: str
    serial_number: str
    software_version: str
    part_number: str = ""
    coding: bytes = b"\xff\xff\xff\xff"


@dataclass(frozen=True, slots=True)
class LiveValues:
    """What a module measures and knows now: supply in V, power mode (None: unknown), its own state."""

    supply_v: float
    power_mode: PowerMode | None
    state: str


def data_values(identity: Identity, session: int, time_s: float, live: LiveValues) -> dict[int, bytes]:
    """Every data identifier that a module has, with its value."""
    values: tuple[tuple[DataIdentifier[Any], object], ...] = (
        (SESSION, session),
        (PART_NUMBER, identity.part_number),
        (SERIAL_NUMBER, identity.serial_number),
        (VIN, identity.vin),
        (SOFTWARE_VERSION, identity.software_version),
        (TIME, time_s),
        (SUPPLY_VOLTAGE, live.supply_v),
        (POWER_MODE, live.power_mode),
        (MODULE_STATE, live.state),
        (CODING, identity.coding),
    )
    return {identifier.number: identifier.encode(value) for identifier, value in values}
