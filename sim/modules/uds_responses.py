"""What a tester reads in a module's responses, as plain values.

Not modelled: records of modules that are not of this program.
"""

from dataclasses import dataclass
from typing import Final

from sim.modules.fault_memory import SnapshotRecord, Status

FLAG_NAMES: Final[dict[Status, str]] = {
    Status.TEST_FAILED: "test failed",
    Status.TEST_FAILED_THIS_CYCLE: "test failed this operation cycle",
    Status.PENDING: "pending",
    Status.CONFIRMED: "confirmed",
    Status.TEST_NOT_COMPLETED_SINCE_CLEAR: "test not completed since last clear",
    Status.TEST_FAILED_SINCE_CLEAR: "test failed since last clear",
    Status.TEST_NOT_COMPLETED_THIS_CYCLE: "test not completed this operation cycle",
    Status.WARNING_INDICATOR_REQUESTED: "warning indicator requested",
}

# Negative response codes, ISO 14229-1 as given by the open packages udsoncan and `uds`.
NEGATIVE_RESPONSE_TEXTS: Final[dict[int, str]] = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "incorrect message length or invalid format",
    0x14: "response too long",
    0x21: "busy, repeat request",
    0x22: "conditions not correct",
    0x24: "request sequence error",
    0x25: "no response from subnet component",
    0x26: "failure prevents execution of requested action",
    0x31: "request out of range",
    0x33: "security access denied",
    0x34: "authentication required",
    0x35: "invalid key",
    0x36: "exceed number of attempts",
    0x37: "required time delay not expired",
    0x78: "request correctly received, response pending",
    0x7E: "sub-function not supported in active session",
    0x7F: "service not supported in active session",
    0x92: "voltage too high",
    0x93: "voltage too low",
}


@dataclass(frozen=True, slots=True)
class ReportedDtc:
    """One trouble code as a module reported it."""

    module: str
    code: str
    description: str
    status: int

    @property
    def flags(self) -> tuple[str, ...]:
        """Names of the status bits that are set, from bit 0 up."""
        return tuple(name for bit, name in FLAG_NAMES.items() if self.status & bit)

    @property
    def failing_now(self) -> bool:
        """The latest test failed."""
        return bool(self.status & Status.TEST_FAILED)

    @property
    def pending(self) -> bool:
        """Failed in this or the last completed operation cycle."""
        return bool(self.status & Status.PENDING)

    @property
    def confirmed(self) -> bool:
        """Stored as a matured fault."""
        return bool(self.status & Status.CONFIRMED)


@dataclass(frozen=True, slots=True)
class DtcsRead:
    """DTCs by status mask, or all supported ones; `available_bits`: status bits that the module uses."""

    module: str
    available_bits: int
    codes: tuple[ReportedDtc, ...]


@dataclass(frozen=True, slots=True)
class DtcsCounted:
    """How many DTCs there are by status mask."""

    module: str
    number: int


@dataclass(frozen=True, slots=True)
class SnapshotsRead:
    """Snapshot records of one DTC: number and content, from the first failure to the latest."""

    code: ReportedDtc
    snapshots: tuple[tuple[int, SnapshotRecord], ...]


@dataclass(frozen=True, slots=True)
class CountersRead:
    """Extended data records of one DTC."""

    code: ReportedDtc
    occurrences: int
    aging_count: int
    fault_detection_counter: int


@dataclass(frozen=True, slots=True)
class DataRead:
    """One data identifier: a name, and the value as a number in `unit` or as text."""

    module: str
    identifier: int
    name: str
    value: float | str
    unit: str


@dataclass(frozen=True, slots=True)
class Done:
    """A positive response to any other request; `data` is what follows the service identifier."""

    module: str
    service: int
    data: bytes


@dataclass(frozen=True, slots=True)
class NegativeResponse:
    """A negative response."""

    module: str
    service: int
    reason: int

    @property
    def text(self) -> str:
        """Name of the negative response code."""
        return NEGATIVE_RESPONSE_TEXTS.get(self.reason, f"negative response code {self.reason:02X}")


@dataclass(frozen=True, slots=True)
class NoResponse:
    """No response came."""

    module: str


@dataclass(frozen=True, slots=True)
class Malformed:
    """An response that does not fit its request."""

    module: str
    data: bytes
    reason: str


Response = (
    DtcsRead
    | DtcsCounted
    | SnapshotsRead
    | CountersRead
    | DataRead
    | Done
    | NegativeResponse
    | NoResponse
    | Malformed
)
