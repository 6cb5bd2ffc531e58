"""Diagnostic server of one module: ISO 14229-1 requests in, answers out, as bytes.

`DiagnosticServer.handle` takes one complete request (transport is ISO 15765-2's business) and returns
the answer, or None where the standard asks for silence. It knows nothing of buses or of time passing:
the clock, the live values and everything that acts on the module are given to it.

Layouts, service and response numbers: ISO 14229-1 as given by the open packages udsoncan and `uds`; the
standard itself was not read. The order in which a request is checked (service, session, sub-function,
length, security, sequence, range, conditions) is from memory.

Not modelled: programming and safety sessions, several testers at once, the authentication service, and
the data record of a securityAccess request.
"""

import hmac
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import Final, Protocol, get_args

from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.cmac import CMAC

from sim.modules.fault_memory import Dtc, FaultMemory, SnapshotRecord
from sim.network.clock import CLOCK_S
from sim.vehicle.codes import dtc_bytes, dtc_text
from sim.vehicle.conditions import PowerMode


class Service(IntEnum):
    """Service identifiers; a positive answer begins with 0x40 more."""

    SESSION_CONTROL = 0x10
    ECU_RESET = 0x11
    CLEAR_DIAGNOSTIC_INFORMATION = 0x14
    READ_DTC_INFORMATION = 0x19
    READ_DATA = 0x22
    SECURITY_ACCESS = 0x27
    COMMUNICATION_CONTROL = 0x28
    OUTPUT_CONTROL = 0x2F
    ROUTINE_CONTROL = 0x31
    TESTER_PRESENT = 0x3E
    CODE_SETTING = 0x85


class NegativeResponseCode(IntEnum):
    """Negative response codes that this server gives."""

    SERVICE_NOT_SUPPORTED = 0x11
    SUB_FUNCTION_NOT_SUPPORTED = 0x12
    INCORRECT_LENGTH = 0x13
    RESPONSE_TOO_LONG = 0x14
    BUSY_REPEAT_REQUEST = 0x21
    CONDITIONS_NOT_CORRECT = 0x22
    REQUEST_SEQUENCE_ERROR = 0x24
    REQUEST_OUT_OF_RANGE = 0x31
    SECURITY_ACCESS_DENIED = 0x33
    INVALID_KEY = 0x35
    EXCEED_NUMBER_OF_ATTEMPTS = 0x36
    TIME_DELAY_NOT_EXPIRED = 0x37
    RESPONSE_PENDING = 0x78
    SERVICE_NOT_SUPPORTED_IN_SESSION = 0x7F


NEGATIVE: Final = 0x7F
POSITIVE: Final = 0x40
SUPPRESS: Final = 0x80  # bit of the sub-function: no positive answer wanted

# Refusals that are never sent in answer to a request addressed to everybody (from memory).
_SILENT_IF_FUNCTIONAL: Final = frozenset({0x11, 0x12, 0x31, 0x7E, 0x7F})

DEFAULT_SESSION: Final = 0x01
EXTENDED_SESSION: Final = 0x03

P2_MS: Final = 50  # ISO 14229-2 P2Server, as given by the open package `uds`
P2_STAR_MS: Final = 5000  # P2*Server, the same; sent in units of 10 ms
S3_S: Final = 5.0  # S3Server, the same
MAX_ANSWER_BYTES: Final = 4095  # ISO 15765-2 12-bit length

CODE_FORMAT: Final = 0x00  # SAE J2012-DA format 00: two bytes and a failure type, named by udsoncan
ALL_CODES: Final = 0xFFFFFF
ALL_RECORDS: Final = 0xFF

# Data identifiers F1xx: ISO 14229-1, named by udsoncan. Those below 0x1000 lie in the range left to the
# vehicle's maker and are our own.
SESSION_DID: Final = 0xF186
SERIAL_NUMBER_DID: Final = 0xF18C
VIN_DID: Final = 0xF190
SOFTWARE_VERSION_DID: Final = 0xF195
SUPPLY_VOLTAGE_DID: Final = 0x0100  # 2 bytes, 0.01 V
POWER_MODE_DID: Final = 0x0101  # 1 byte, index into POWER_MODES, FF if the module does not know
MODULE_STATE_DID: Final = 0x0102  # 16 characters
TIME_DID: Final = 0x0103  # 4 bytes, ms of the module's clock

POWER_MODES: Final[tuple[PowerMode, ...]] = get_args(PowerMode)
UNKNOWN_POWER_MODE: Final = 0xFF
STATE_CHARACTERS: Final = 16

# SnapshotRecord and extended data records of this server (numbers 01..8F are the maker's; our own choice).
FIRST_SNAPSHOT: Final = 0x01
LAST_SNAPSHOT: Final = 0x02
OCCURRENCE_RECORD: Final = 0x01
AGING_RECORD: Final = 0x02
COUNTER_RECORD: Final = 0x03

KEY_ATTEMPTS: Final = 3  # wrong keys until the delay starts: common practice
KEY_DELAY_S: Final = 10.0  # delay after too many wrong keys: common practice
KEY_BYTES: Final = 16  # AES-128


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


class SeedAndKey(Protocol):
    """How a module asks for proof before it lets itself be changed."""

    def seed(self) -> bytes:
        """A new seed, never all zero: zero says that the module is already unlocked."""

    def key(self, seed: bytes) -> bytes:
        """The key that opens `seed`."""


class SharedSecret:
    """Challenge and answer of 16 bytes by a 128-bit key that module and tester share: AES-CMAC.

    key(seed) is the AES-CMAC of the seed (RFC 4493, NIST SP 800-38B). A seed is the AES-CMAC of a number that
    counts up, not random, so that a run can be repeated byte for byte; that text has 12 bytes where a seed
    has 16, so that no answer is ever a seed. A training aid: its key is printed in this program.
    Raises ValueError for a secret that is not 16 bytes long.
    """

    def __init__(self, secret: bytes) -> None:
        if len(secret) != KEY_BYTES:
            raise ValueError(f"a shared secret of {len(secret)} bytes: AES-128 needs {KEY_BYTES}")
        self._secret = secret
        self._number = 0

    def seed(self) -> bytes:
        self._number += 1
        return self._code(b"seed" + self._number.to_bytes(8, "big"))

    def key(self, seed: bytes) -> bytes:
        return self._code(seed)

    def _code(self, data: bytes) -> bytes:
        code = CMAC(AES(self._secret))
        code.update(data)
        return code.finalize()


@dataclass(frozen=True, slots=True)
class Action:
    """Something a tester can make a module do: an output (service 2F) or a routine (service 31).

    `run(parameter, data)` gets the control parameter or routine control type and the bytes after it; it
    returns the bytes for the answer, or None if conditions do not allow it. `locked`: only after
    security access. `state_bytes`: how many an output is adjusted with, None for any number. `takes_s`:
    time that a routine needs from its start (1) to its results (3), less than P2*; the tester is asked for
    patience meanwhile.
    """

    run: Callable[[int, bytes], bytes | None]
    locked: bool = False
    state_bytes: int | None = None
    takes_s: float = 0.0


class _Refused(Exception):
    def __init__(self, reason: NegativeResponseCode) -> None:
        super().__init__(reason.name)
        self.reason = reason


class _Pending(Exception):
    """The answer comes later: `finish` gives what stands behind the service identifier."""

    def __init__(self, after_s: float, finish: Callable[[], bytes]) -> None:
        super().__init__()
        self.after_s = after_s
        self.finish = finish


# Service: the sub-functions it has (None: it has none), and whether the default session allows it
# (ISO 14229-1 table of services by session, from memory).
_SERVICES: Final[dict[Service, tuple[frozenset[int] | None, bool]]] = {
    Service.SESSION_CONTROL: (frozenset({DEFAULT_SESSION, EXTENDED_SESSION}), True),
    Service.ECU_RESET: (frozenset({0x01, 0x03}), True),
    Service.CLEAR_DIAGNOSTIC_INFORMATION: (None, True),
    Service.READ_DTC_INFORMATION: (frozenset({0x01, 0x02, 0x04, 0x06, 0x0A}), True),
    Service.READ_DATA: (None, True),
    Service.SECURITY_ACCESS: (frozenset({0x01, 0x02}), False),
    Service.COMMUNICATION_CONTROL: (frozenset({0x00, 0x01, 0x02, 0x03}), False),
    Service.OUTPUT_CONTROL: (None, False),
    Service.ROUTINE_CONTROL: (frozenset({0x01, 0x02, 0x03}), False),
    Service.TESTER_PRESENT: (frozenset({0x00}), True),
    Service.CODE_SETTING: (frozenset({0x01, 0x02}), False),
}

_ENABLE_ALL: Final = (0x00, 0x03)  # communicationControl: receive and send, normal and network management


class DiagnosticServer:
    """Answers a tester on behalf of one module.

    clock          seconds, never going back
    live           the values behind the live data identifiers
    reset          told 0x01 (hard) or 0x03 (soft); False if the module cannot reset now. It must let the
                   answer out before it acts
    security       seed and key; None: the module has no service 27 and no locked action opens
    communication  told (control type, communication type) of service 28; False if refused
    outputs        by data identifier, for service 2F; parameter 0 gives control back to the module
    routines       by routine identifier, for service 31
    later          told (seconds, what to call then), for routines that take time; None: all answer at once

    Services whose callback is missing are not supported. A module that loses power calls `restart`; a
    module that keeps running calls `lapse` at `lapses_at_s`, so that a session ends without a request.
    """

    def __init__(
        self,
        identity: Identity,
        memory: FaultMemory,
        clock: Callable[[], float],
        *,
        live: Callable[[], LiveValues] | None = None,
        reset: Callable[[int], bool] | None = None,
        security: SeedAndKey | None = None,
        communication: Callable[[int, int], bool] | None = None,
        outputs: Mapping[int, Action] = MappingProxyType({}),
        routines: Mapping[int, Action] = MappingProxyType({}),
        later: Callable[[float, Callable[[], None]], object] | None = None,
    ) -> None:
        self.identity = identity
        self.memory = memory
        self.session = DEFAULT_SESSION
        self.unlocked = False
        self._clock = clock
        self._live = live
        self._reset = reset
        self._security = security
        self._communication = communication
        self._outputs = outputs
        self._routines = routines
        self._later = later
        self._pending: _Pending | None = None
        self._last_request_s = 0.0
        self._seed: bytes | None = None
        self._wrong_keys = 0
        self._delay_until_s = 0.0
        self._communication_changed = False
        self._held_outputs: set[int] = set()
        self._handlers = self._supported_handlers()

    @property
    def lapses_at_s(self) -> float | None:
        """When the session ends if no request comes, in s; None in the default session."""
        return None if self.session == DEFAULT_SESSION else self._last_request_s + S3_S

    def lapse(self) -> None:
        """Fall back to the default session if its time is over and nothing is under way."""
        deadline_s = None if self._pending else self.lapses_at_s
        if deadline_s is not None and self._clock() >= deadline_s - CLOCK_S:
            self._enter(DEFAULT_SESSION)

    def restart(self) -> None:
        """The module has lost power or reset itself: default session, locked, nothing held, nothing owed."""
        self._pending = None
        self._enter(DEFAULT_SESSION)

    def handle(
        self, request: bytes, functional: bool = False, reply: Callable[[bytes], None] | None = None
    ) -> bytes | None:
        """Answer one request, or None for silence. `functional`: it was addressed to every module.

        Where the answer takes time, the one returned asks for patience (responsePending) and `reply` gets the
        other. Whatever else is asked meanwhile is refused as busy.
        """
        self.lapse()
        if not request:
            return None
        try:
            free = self._pending is None or request[0] == Service.TESTER_PRESENT
            _check(free, NegativeResponseCode.BUSY_REPEAT_REQUEST)
            answer = self._dispatch(request)
        except _Pending as pending:
            answer = self._promise(request[0], pending, reply)
        except _Refused as refused:
            if functional and refused.reason in _SILENT_IF_FUNCTIONAL:
                answer = None
            else:
                answer = bytes([NEGATIVE, request[0], refused.reason])
        self._last_request_s = self._clock()
        return answer

    def _promise(self, service: int, pending: _Pending, reply: Callable[[bytes], None] | None) -> bytes:
        assert self._later is not None
        self._pending = pending

        def finish() -> None:
            if self._pending is not pending:
                return  # the module has lost its supply since
            self._pending = None
            self._last_request_s = self._clock()
            try:
                answer = bytes([service + POSITIVE]) + pending.finish()
            except _Refused as refused:
                answer = bytes([NEGATIVE, service, refused.reason])
            if reply:
                reply(answer)

        self._later(pending.after_s, finish)
        return bytes([NEGATIVE, service, NegativeResponseCode.RESPONSE_PENDING])

    def _dispatch(self, request: bytes) -> bytes | None:
        handler = self._handlers.get(request[0])
        if handler is None:
            raise _Refused(NegativeResponseCode.SERVICE_NOT_SUPPORTED)
        sub_functions, in_default_session = _SERVICES[Service(request[0])]
        if self.session == DEFAULT_SESSION and not in_default_session:
            raise _Refused(NegativeResponseCode.SERVICE_NOT_SUPPORTED_IN_SESSION)
        body = request[1:]
        suppress = False
        if sub_functions is not None:
            _check(bool(body), NegativeResponseCode.INCORRECT_LENGTH)
            suppress = bool(body[0] & SUPPRESS)
            body = bytes([body[0] & ~SUPPRESS]) + body[1:]
            _check(body[0] in sub_functions, NegativeResponseCode.SUB_FUNCTION_NOT_SUPPORTED)
        answer = bytes([request[0] + POSITIVE]) + handler(body)
        _check(len(answer) <= MAX_ANSWER_BYTES, NegativeResponseCode.RESPONSE_TOO_LONG)
        return None if suppress else answer

    def _supported_handlers(self) -> dict[int, Callable[[bytes], bytes]]:
        handlers: dict[int, Callable[[bytes], bytes]] = {
            Service.SESSION_CONTROL: self._session_control,
            Service.CLEAR_DIAGNOSTIC_INFORMATION: self._clear_codes,
            Service.READ_DTC_INFORMATION: self._read_codes,
            Service.READ_DATA: self._read_data,
            Service.TESTER_PRESENT: self._tester_present,
            Service.CODE_SETTING: self._code_setting,
        }
        if self._reset:
            handlers[Service.ECU_RESET] = self._ecu_reset
        if self._security:
            handlers[Service.SECURITY_ACCESS] = self._security_access
        if self._communication:
            handlers[Service.COMMUNICATION_CONTROL] = self._communication_control
        if self._outputs:
            handlers[Service.OUTPUT_CONTROL] = self._output_control
        if self._routines:
            handlers[Service.ROUTINE_CONTROL] = self._routine_control
        return handlers

    def _enter(self, session: int) -> None:
        """Every change of session locks the module; the default session undoes what a tester changed."""
        self.session = session
        self.unlocked = False
        self._seed = None
        if session != DEFAULT_SESSION:
            return
        self.memory.recording = True
        if self._communication_changed and self._communication:
            self._communication(*_ENABLE_ALL)
        self._communication_changed = False
        for identifier in sorted(self._held_outputs):
            self._outputs[identifier].run(0, b"")
        self._held_outputs.clear()

    def _session_control(self, body: bytes) -> bytes:
        _check(len(body) == 1, NegativeResponseCode.INCORRECT_LENGTH)
        self._enter(body[0])
        return body + P2_MS.to_bytes(2, "big") + (P2_STAR_MS // 10).to_bytes(2, "big")

    def _ecu_reset(self, body: bytes) -> bytes:
        _check(len(body) == 1, NegativeResponseCode.INCORRECT_LENGTH)
        _check(self._reset is not None and self._reset(body[0]), NegativeResponseCode.CONDITIONS_NOT_CORRECT)
        self.restart()
        return body

    def _clear_codes(self, body: bytes) -> bytes:
        _check(len(body) == 3, NegativeResponseCode.INCORRECT_LENGTH)
        if int.from_bytes(body, "big") == ALL_CODES:
            self.memory.clear()
        else:
            self.memory.clear(self._code(body).code)
        return b""

    def _read_codes(self, body: bytes) -> bytes:
        sub_function, rest = body[0], body[1:]
        lengths = {0x01: 1, 0x02: 1, 0x04: 4, 0x06: 4, 0x0A: 0}
        _check(len(rest) == lengths[sub_function], NegativeResponseCode.INCORRECT_LENGTH)
        available = bytes([self.memory.available_bits])
        if sub_function == 0x01:
            number = len(self.memory.matching(rest[0]))
            return body[:1] + available + bytes([CODE_FORMAT]) + number.to_bytes(2, "big")
        if sub_function == 0x02:
            return body[:1] + available + b"".join(map(_with_status, self.memory.matching(rest[0])))
        if sub_function == 0x0A:
            return body[:1] + available + b"".join(map(_with_status, self.memory.codes))
        entry = self._code(rest[:3])
        records = _snapshot_records(entry) if sub_function == 0x04 else _extended_records(entry)
        numbers = sorted(records) if rest[3] == ALL_RECORDS else [rest[3]]
        _check(all(number in records for number in numbers), NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        return body[:1] + _with_status(entry) + b"".join(records[number] for number in numbers)

    def _read_data(self, body: bytes) -> bytes:
        _check(len(body) >= 2 and len(body) % 2 == 0, NegativeResponseCode.INCORRECT_LENGTH)
        values = self._data_values()
        wanted = [body[k : k + 2] for k in range(0, len(body), 2)]
        # ISO 14229-1: identifiers the module does not have are left out, unless it has none (from memory)
        known = [item for item in wanted if int.from_bytes(item, "big") in values]
        _check(bool(known), NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        return b"".join(item + values[int.from_bytes(item, "big")] for item in known)

    def _security_access(self, body: bytes) -> bytes:
        if self._security is None:
            raise _Refused(NegativeResponseCode.SERVICE_NOT_SUPPORTED)
        if body[0] == 0x01:
            _check(len(body) == 1, NegativeResponseCode.INCORRECT_LENGTH)
            _check(
                self._clock() >= self._delay_until_s - CLOCK_S,
                NegativeResponseCode.TIME_DELAY_NOT_EXPIRED,
            )
            self._seed = self._security.seed()
            return body + (bytes(len(self._seed)) if self.unlocked else self._seed)
        seed, self._seed = self._seed, None
        _check(seed is not None, NegativeResponseCode.REQUEST_SEQUENCE_ERROR)
        key = self._security.key(seed or b"")
        _check(len(body) == 1 + len(key), NegativeResponseCode.INCORRECT_LENGTH)
        if not hmac.compare_digest(body[1:], key):
            self._count_wrong_key()
        self._wrong_keys = 0
        self.unlocked = True
        return body[:1]

    def _count_wrong_key(self) -> None:
        self._wrong_keys += 1
        _check(self._wrong_keys >= KEY_ATTEMPTS, NegativeResponseCode.INVALID_KEY)
        self._wrong_keys = 0
        self._delay_until_s = self._clock() + KEY_DELAY_S
        raise _Refused(NegativeResponseCode.EXCEED_NUMBER_OF_ATTEMPTS)

    def _communication_control(self, body: bytes) -> bytes:
        _check(len(body) == 2, NegativeResponseCode.INCORRECT_LENGTH)
        _check(body[1] & 0x03 != 0, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        done = self._communication is not None and self._communication(body[0], body[1])
        _check(done, NegativeResponseCode.CONDITIONS_NOT_CORRECT)
        self._communication_changed = True
        return body[:1]

    def _output_control(self, body: bytes) -> bytes:
        _check(len(body) >= 3, NegativeResponseCode.INCORRECT_LENGTH)
        identifier, parameter = int.from_bytes(body[:2], "big"), body[2]
        _check(parameter <= 0x03, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        output = self._outputs.get(identifier)
        if output is not None and output.state_bytes is not None:
            wanted_bytes = output.state_bytes if parameter == 0x03 else 0
            _check(len(body) == 3 + wanted_bytes, NegativeResponseCode.INCORRECT_LENGTH)
        state = self._act(output, parameter, body[3:])
        if parameter == 0:
            self._held_outputs.discard(identifier)
        else:
            self._held_outputs.add(identifier)
        return body[:3] + state

    def _routine_control(self, body: bytes) -> bytes:
        _check(len(body) >= 3, NegativeResponseCode.INCORRECT_LENGTH)
        routine = self._routines.get(int.from_bytes(body[1:3], "big"))
        result = self._act(routine, body[0], body[3:])
        if routine is not None and routine.takes_s and body[0] == 0x01 and self._later:
            raise _Pending(routine.takes_s, lambda: body[:3] + self._act(routine, 0x03, b""))
        return body[:3] + result

    def _act(self, action: Action | None, parameter: int, data: bytes) -> bytes:
        if action is None:
            raise _Refused(NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        _check(self.unlocked or not action.locked, NegativeResponseCode.SECURITY_ACCESS_DENIED)
        result = action.run(parameter, data)
        if result is None:
            raise _Refused(NegativeResponseCode.CONDITIONS_NOT_CORRECT)
        return result

    def _tester_present(self, body: bytes) -> bytes:
        _check(len(body) == 1, NegativeResponseCode.INCORRECT_LENGTH)
        return body

    def _code_setting(self, body: bytes) -> bytes:
        _check(len(body) == 1, NegativeResponseCode.INCORRECT_LENGTH)
        self.memory.recording = body[0] == 0x01
        return body

    def _code(self, data: bytes) -> Dtc:
        wanted = dtc_text(data)
        for entry in self.memory.codes:
            if entry.code == wanted:
                return entry
        raise _Refused(NegativeResponseCode.REQUEST_OUT_OF_RANGE)

    def _data_values(self) -> dict[int, bytes]:
        values = {
            SESSION_DID: bytes([self.session]),
            SERIAL_NUMBER_DID: self.identity.serial_number.encode("ascii"),
            VIN_DID: self.identity.vin.encode("ascii"),
            SOFTWARE_VERSION_DID: self.identity.software_version.encode("ascii"),
            TIME_DID: _time_bytes(self._clock()),
        }
        if self._live:
            live = self._live()
            values[SUPPLY_VOLTAGE_DID] = _voltage_bytes(live.supply_v)
            values[POWER_MODE_DID] = _power_mode_bytes(live.power_mode)
            state = live.state.encode("ascii", "replace")[:STATE_CHARACTERS]
            values[MODULE_STATE_DID] = state.ljust(STATE_CHARACTERS)
        return values


def _check(condition: bool, otherwise: NegativeResponseCode) -> None:
    if not condition:
        raise _Refused(otherwise)


def _with_status(entry: Dtc) -> bytes:
    return dtc_bytes(entry.code) + bytes([entry.status])


def _snapshot_records(entry: Dtc) -> dict[int, bytes]:
    """Record number and content, empty where the code is not stored."""
    return {
        number: b"" if snapshot is None else bytes([number]) + _snapshot_bytes(snapshot)
        for number, snapshot in ((FIRST_SNAPSHOT, entry.first), (LAST_SNAPSHOT, entry.last))
    }


def _snapshot_bytes(snapshot: SnapshotRecord) -> bytes:
    values = (
        (SUPPLY_VOLTAGE_DID, _voltage_bytes(snapshot.supply_v)),
        (POWER_MODE_DID, _power_mode_bytes(snapshot.power_mode)),
        (TIME_DID, _time_bytes(snapshot.time_s)),
    )
    return bytes([len(values)]) + b"".join(did.to_bytes(2, "big") + data for did, data in values)


def _extended_records(entry: Dtc) -> dict[int, bytes]:
    values = {
        OCCURRENCE_RECORD: entry.occurrences,
        AGING_RECORD: entry.aging_count,
        COUNTER_RECORD: entry.counter & 0xFF,
    }
    return {number: bytes([number, value]) for number, value in values.items()}


def _voltage_bytes(voltage_v: float) -> bytes:
    return max(0, min(0xFFFF, round(voltage_v * 100))).to_bytes(2, "big")


def _power_mode_bytes(power_mode: PowerMode | None) -> bytes:
    return bytes([UNKNOWN_POWER_MODE if power_mode is None else POWER_MODES.index(power_mode)])


def _time_bytes(time_s: float) -> bytes:
    return (round(time_s * 1000) % 2**32).to_bytes(4, "big")
