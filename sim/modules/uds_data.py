"""The values of a module's data identifiers, as bytes.

Not modelled: identifiers that can be written.
"""

from dataclasses import dataclass

from sim.modules.uds_protocol import (
    MODULE_STATE_DID,
    POWER_MODE_DID,
    POWER_MODES,
    SERIAL_NUMBER_DID,
    SESSION_DID,
    SOFTWARE_VERSION_DID,
    STATE_CHARACTERS,
    SUPPLY_VOLTAGE_DID,
    TIME_DID,
    UNKNOWN_POWER_MODE,
    VIN_DID,
)
from sim.vehicle.conditions import PowerMode


@dataclass(frozen=True, slots=True)
class Identity:
    """What a module says it is. All invented; ASCII, the vehicle's number has 17 characters (ISO 3779).

    Raises ValueError.
    """

    vin: str
    serial_number: str
    software_version: str

    def __post_init__(self) -> None:
        for name, text in (
            ("vin", self.vin),
            ("serial_number", self.serial_number),
            ("software_version", self.software_version),
        ):
            if not text.isascii() or not text.isprintable() or not 1 <= len(text) <= 64:
                raise ValueError(f'{name} "{text}" must be 1 to 64 printable ASCII characters')
        if len(self.vin) != 17:
            raise ValueError(f'vin "{self.vin}" has {len(self.vin)} characters, it must have 17')


@dataclass(frozen=True, slots=True)
class LiveValues:
    """What a module measures and knows now: supply in V, power mode (None: unknown), its own state."""

    supply_v: float
    power_mode: PowerMode | None
    state: str


def data_values(identity: Identity, session: int, time_s: float, live: LiveValues | None) -> dict[int, bytes]:
    """Every data identifier that a module has, with its value."""
    values = {
        SESSION_DID: bytes([session]),
        SERIAL_NUMBER_DID: identity.serial_number.encode("ascii"),
        VIN_DID: identity.vin.encode("ascii"),
        SOFTWARE_VERSION_DID: identity.software_version.encode("ascii"),
        TIME_DID: time_bytes(time_s),
    }
    if live:
        values[SUPPLY_VOLTAGE_DID] = voltage_bytes(live.supply_v)
        values[POWER_MODE_DID] = power_mode_bytes(live.power_mode)
        state = live.state.encode("ascii", "replace")[:STATE_CHARACTERS]
        values[MODULE_STATE_DID] = state.ljust(STATE_CHARACTERS)
    return values


def voltage_bytes(voltage_v: float) -> bytes:
    """2 bytes, 0.01 V."""
    return max(0, min(0xFFFF, round(voltage_v * 100))).to_bytes(2, "big")


def power_mode_bytes(power_mode: PowerMode | None) -> bytes:
    """1 byte, index into POWER_MODES."""
    return bytes([UNKNOWN_POWER_MODE if power_mode is None else POWER_MODES.index(power_mode)])


def time_bytes(time_s: float) -> bytes:
    """4 bytes, milliseconds."""
    return (round(time_s * 1000) % 2**32).to_bytes(4, "big")
