"""Diagnostic server of one module: ISO 14229-1 requests in, responses out, as bytes.

`DiagnosticServer.handle` takes one complete request (transport is ISO 15765-2's business) and returns the
response, or None where the standard asks for silence. It knows nothing of buses or of time passing: the
clock, the live values and everything that acts on the module are given to it.

The order in which a request is checked (service, session, sub-function, length, security, sequence, range,
conditions) is from memory.

Not modeled: several testers at once.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Final

from sim.modules.dtc_reading import clear_diagnostic_information, read_dtc_information
from sim.modules.fault_memory import FaultMemory
from sim.modules.security_access import SecurityAccess, SharedSecret
from sim.modules.uds_data import Identity, LiveValues, data_values
from sim.modules.uds_protocol import (
    MANAGEMENT_MESSAGES,
    MAX_RESPONSE_BYTES,
    NORMAL_MESSAGES,
    P2_MS,
    P2_STAR_MS,
    POSITIVE,
    S3_S,
    SUPPRESS,
    CommunicationControl,
    DtcReport,
    DtcSetting,
    NegativeResponseCode,
    OutputControl,
    RequestRejected,
    ResetType,
    RoutineControl,
    SecurityStep,
    Service,
    Session,
    negative_response,
    require,
    require_length,
    response_pending,
)
from sim.network.clock import CLOCK_S

# Negative responses that are never sent to a request addressed to every module (from memory).
_SILENT_IF_FUNCTIONAL: Final = frozenset({0x11, 0x12, 0x31, 0x7E, 0x7F})


@dataclass(frozen=True, slots=True)
class DiagnosticAction:
    """Something a tester can make a module do: an output (service 2F) or a routine (service 31).

    `run(parameter, data)` gets the control parameter or routine control type and the bytes after it; it
    returns the bytes for the response, or None if conditions do not allow it. `locked`: only after
    security access. `state_bytes`: how many an output is adjusted with, None for any number. `takes_s`:
    time that a routine needs from its start (1) to its results (3), less than P2*; the tester is asked for
    patience meanwhile.
    """

    run: Callable[[int, bytes], bytes | None]
    locked: bool = False
    state_bytes: int | None = None
    takes_s: float = 0.0


class _Pending(Exception):
    """The response comes later: `finish` gives what follows the service identifier."""

    def __init__(self, after_s: float, finish: Callable[[], bytes]) -> None:
        super().__init__()
        self.after_s = after_s
        self.finish = finish


@dataclass(frozen=True, slots=True)
class _Rules:
    """When a request for a service is well formed and allowed.

    sub_functions: those it has (None: it has none). in_default_session: allowed there. length: bytes after
    the service identifier, None if the service itself judges them.
    """

    sub_functions: frozenset[int] | None
    in_default_session: bool
    length: int | None


# Allowed sessions: ISO 14229-1 table of services by session, from memory.
_SERVICES: Final = {
    Service.DIAGNOSTIC_SESSION_CONTROL: _Rules(frozenset(Session), True, 1),
    Service.ECU_RESET: _Rules(frozenset(ResetType), True, 1),
    Service.CLEAR_DIAGNOSTIC_INFORMATION: _Rules(None, True, 3),
    Service.READ_DTC_INFORMATION: _Rules(frozenset(DtcReport), True, None),
    Service.READ_DATA_BY_IDENTIFIER: _Rules(None, True, None),
    Service.SECURITY_ACCESS: _Rules(frozenset(SecurityStep), False, None),
    Service.COMMUNICATION_CONTROL: _Rules(frozenset(CommunicationControl), False, 2),
    Service.WRITE_DATA_BY_IDENTIFIER: _Rules(None, False, None),
    Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER: _Rules(None, False, None),
    Service.ROUTINE_CONTROL: _Rules(frozenset(RoutineControl), False, None),
    Service.REQUEST_DOWNLOAD: _Rules(None, False, None),
    Service.TRANSFER_DATA: _Rules(None, False, None),
    Service.REQUEST_TRANSFER_EXIT: _Rules(None, False, None),
    Service.TESTER_PRESENT: _Rules(frozenset({0x00}), True, 1),
    Service.CONTROL_DTC_SETTING: _Rules(frozenset(DtcSetting), False, 1),
}

# what a boot loader has while there is no whole software; common practice
_BOOT_SERVICES: Final = frozenset(
    {
        Service.DIAGNOSTIC_SESSION_CONTROL, Service.ECU_RESET, Service.READ_DATA_BY_IDENTIFIER,
        Service.SECURITY_ACCESS, Service.ROUTINE_CONTROL, Service.REQUEST_DOWNLOAD, Service.TRANSFER_DATA,
        Service.REQUEST_TRANSFER_EXIT, Service.TESTER_PRESENT,
    }
)  # fmt: skip


class DiagnosticServer:
    """Responds to a tester on behalf of one module.

    identity       what it says it is, now
    clock          seconds, never going back
    live           the values of the live data identifiers that every module has
    more_data      those of this module's own, by identifier
    reset          told 0x01 (hard) or 0x03 (soft); it must let the response out before it acts
    secret         for seed and key
    communication  told (control type, communication type) of service 28
    outputs        by data identifier, for service 2F; parameter 0 gives control back to the module
    routines       by routine identifier, for service 31
    writing        handlers of the services that write; refused while the module is locked
    boot_mode      is there a boot loader only?
    later          told (seconds, what to call then), for routines that take time

    Without outputs or routines their service is not supported. A module that loses power calls `restart`; a
    module that keeps running calls `lapse` at `lapses_at_s`, so that a session ends without a request.
    """

    def __init__(
        self,
        identity: Callable[[], Identity],
        memory: FaultMemory,
        clock: Callable[[], float],
        *,
        live: Callable[[], LiveValues],
        reset: Callable[[int], None],
        secret: SharedSecret,
        communication: Callable[[CommunicationControl, int], None],
        outputs: Mapping[int, DiagnosticAction],
        routines: Mapping[int, DiagnosticAction],
        later: Callable[[float, Callable[[], None]], object],
        more_data: Callable[[], Mapping[int, bytes]] = dict,
        writing: Mapping[int, Callable[[bytes], bytes]] | None = None,
        boot_mode: Callable[[], bool] = lambda: False,
    ) -> None:
        self._identity = identity
        self.memory = memory
        self.session = Session.DEFAULT
        self._clock = clock
        self._live = live
        self._more_data = more_data
        self._reset = reset
        self._security = SecurityAccess(secret, clock)
        self._communication = communication
        self._outputs = outputs
        self._routines = routines
        self._later = later
        self._writing = writing or {}
        self._boot_mode = boot_mode
        self._pending: _Pending | None = None
        self._last_request_s = 0.0
        self._communication_changed = False
        self._held_outputs: set[int] = set()
        self._handlers = self._supported_handlers()

    @property
    def unlocked(self) -> bool:
        """Has a tester unlocked the module by security access?"""
        return self._security.unlocked

    @property
    def unlocked_at_s(self) -> float | None:
        """When a tester unlocked it the last time since it started, in s."""
        return self._security.unlocked_at_s

    # -- sessions --------------------------------------------------------------------------------------

    @property
    def lapses_at_s(self) -> float | None:
        """When the session ends if no request comes, in s; None in the default session."""
        return None if self.session == Session.DEFAULT else self._last_request_s + S3_S

    def lapse(self) -> None:
        """Fall back to the default session if its time is over and nothing is under way."""
        deadline_s = None if self._pending else self.lapses_at_s
        if deadline_s is not None and self._clock() >= deadline_s - CLOCK_S:
            self._enter(Session.DEFAULT)

    def restart(self) -> None:
        """The module has lost power or reset itself: default session, locked, nothing held, nothing owed."""
        self._pending = None
        self._security.forget()
        self._enter(Session.DEFAULT)

    def _enter(self, session: Session) -> None:
        """Every change of session locks the module; the default session undoes what a tester changed."""
        self.session = session
        self._security.lock()
        if session != Session.DEFAULT:
            return
        self.memory.recording = True
        if self._communication_changed:
            self._communication(CommunicationControl.ENABLE_RX_AND_TX, NORMAL_MESSAGES | MANAGEMENT_MESSAGES)
        self._communication_changed = False
        for identifier in sorted(self._held_outputs):
            self._outputs[identifier].run(OutputControl.RETURN_CONTROL, b"")
        self._held_outputs.clear()

    # -- requests --------------------------------------------------------------------------------------

    def handle(
        self, request: bytes, functional: bool = False, reply: Callable[[bytes], None] | None = None
    ) -> bytes | None:
        """The response to a request, or None for silence. `functional`: it is addressed to every module.

        If the response takes time, the one returned asks for patience (responsePending) and `reply` gets the
        other. Whatever else is asked meanwhile is refused as busy.
        """
        self.lapse()
        if not request:
            return None
        try:
            free = self._pending is None or request[0] == Service.TESTER_PRESENT
            require(free, NegativeResponseCode.BUSY_REPEAT_REQUEST)
            response = self._dispatch(request)
        except _Pending as pending:
            response = self._promise(request[0], pending, reply)
        except RequestRejected as rejected:
            if functional and rejected.code in _SILENT_IF_FUNCTIONAL:
                response = None
            else:
                response = negative_response(request[0], rejected.code)
        self._last_request_s = self._clock()
        return response

    def _promise(self, service: int, pending: _Pending, reply: Callable[[bytes], None] | None) -> bytes:
        self._pending = pending

        def finish() -> None:
            if self._pending is not pending:
                return  # the module has lost its supply since
            self._pending = None
            self._last_request_s = self._clock()
            try:
                response = bytes([service + POSITIVE]) + pending.finish()
            except RequestRejected as rejected:
                response = negative_response(service, rejected.code)
            if reply:
                reply(response)

        self._later(pending.after_s, finish)
        return response_pending(service)

    def _dispatch(self, request: bytes) -> bytes | None:
        there = request[0] in self._handlers and (request[0] in _BOOT_SERVICES or not self._boot_mode())
        require(there, NegativeResponseCode.SERVICE_NOT_SUPPORTED)
        rules = _SERVICES[Service(request[0])]
        allowed = rules.in_default_session or self.session != Session.DEFAULT
        require(allowed, NegativeResponseCode.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION)
        body = request[1:]
        suppress = False
        if rules.sub_functions is not None:
            require_length(bool(body))
            suppress = bool(body[0] & SUPPRESS)
            body = bytes([body[0] & ~SUPPRESS]) + body[1:]
            require(body[0] in rules.sub_functions, NegativeResponseCode.SUB_FUNCTION_NOT_SUPPORTED)
        require_length(rules.length in (None, len(body)))
        response = bytes([request[0] + POSITIVE]) + self._handlers[request[0]](body)
        require(len(response) <= MAX_RESPONSE_BYTES, NegativeResponseCode.RESPONSE_TOO_LONG)
        return None if suppress else response

    def _supported_handlers(self) -> dict[int, Callable[[bytes], bytes]]:
        handlers: dict[int, Callable[[bytes], bytes]] = {
            Service.DIAGNOSTIC_SESSION_CONTROL: self._diagnostic_session_control,
            Service.CLEAR_DIAGNOSTIC_INFORMATION: partial(clear_diagnostic_information, self.memory),
            Service.READ_DTC_INFORMATION: partial(read_dtc_information, self.memory),
            Service.READ_DATA_BY_IDENTIFIER: self._read_data_by_identifier,
            Service.TESTER_PRESENT: lambda body: body,
            Service.CONTROL_DTC_SETTING: self._control_dtc_setting,
            Service.ECU_RESET: self._ecu_reset,
            Service.SECURITY_ACCESS: self._security.handle,
            Service.COMMUNICATION_CONTROL: self._communication_control,
        }
        if self._outputs:
            handlers[Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER] = self._input_output_control
        handlers |= {service: partial(self._write, write) for service, write in self._writing.items()}
        if self._routines:
            handlers[Service.ROUTINE_CONTROL] = self._routine_control
        return handlers

    # -- services --------------------------------------------------------------------------------------

    def _diagnostic_session_control(self, body: bytes) -> bytes:
        if body[0] == Session.PROGRAMMING:
            require(bool(self._writing), NegativeResponseCode.SUB_FUNCTION_NOT_SUPPORTED)
            reached = self.session != Session.DEFAULT or self._boot_mode()
            require(reached, NegativeResponseCode.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION)
        self._enter(Session(body[0]))
        return body + P2_MS.to_bytes(2, "big") + (P2_STAR_MS // 10).to_bytes(2, "big")

    def _ecu_reset(self, body: bytes) -> bytes:
        self._reset(body[0])
        self.restart()
        return body

    def _read_data_by_identifier(self, body: bytes) -> bytes:
        require_length(len(body) >= 2 and len(body) % 2 == 0)
        values = data_values(self._identity(), self.session, self._clock(), self._live())
        values.update(self._more_data())
        wanted = [body[k : k + 2] for k in range(0, len(body), 2)]
        # ISO 14229-1: identifiers the module does not have are left out, unless it has none (from memory)
        known = [item for item in wanted if int.from_bytes(item, "big") in values]
        require(bool(known), NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        return b"".join(item + values[int.from_bytes(item, "big")] for item in known)

    def _write(self, write: Callable[[bytes], bytes], body: bytes) -> bytes:
        require(self.unlocked, NegativeResponseCode.SECURITY_ACCESS_DENIED)
        return write(body)

    def _communication_control(self, body: bytes) -> bytes:
        require(body[1] & 0x03 != 0, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        self._communication(CommunicationControl(body[0]), body[1])
        self._communication_changed = True
        return body[:1]

    def _input_output_control(self, body: bytes) -> bytes:
        require_length(len(body) >= 3)
        identifier, parameter = int.from_bytes(body[:2], "big"), body[2]
        require(parameter <= OutputControl.SHORT_TERM_ADJUSTMENT, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        output = self._outputs.get(identifier)
        if output is not None and output.state_bytes is not None:
            wanted_bytes = output.state_bytes if parameter == OutputControl.SHORT_TERM_ADJUSTMENT else 0
            require_length(len(body) == 3 + wanted_bytes)
        state = self._act(output, parameter, body[3:])
        if parameter == OutputControl.RETURN_CONTROL:
            self._held_outputs.discard(identifier)
        else:
            self._held_outputs.add(identifier)
        return body[:3] + state

    def _routine_control(self, body: bytes) -> bytes:
        require_length(len(body) >= 3)
        routine = self._routines.get(int.from_bytes(body[1:3], "big"))
        result = self._act(routine, body[0], body[3:])
        if routine is not None and routine.takes_s and body[0] == RoutineControl.START:
            raise _Pending(
                routine.takes_s, lambda: body[:3] + self._act(routine, RoutineControl.REQUEST_RESULTS, b"")
            )
        return body[:3] + result

    def _act(self, action: DiagnosticAction | None, parameter: int, data: bytes) -> bytes:
        if action is None:
            raise RequestRejected(NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        require(self.unlocked or not action.locked, NegativeResponseCode.SECURITY_ACCESS_DENIED)
        result = action.run(parameter, data)
        if result is None:
            raise RequestRejected(NegativeResponseCode.CONDITIONS_NOT_CORRECT)
        return result

    def _control_dtc_setting(self, body: bytes) -> bytes:
        self.memory.recording = body[0] == DtcSetting.ON
        return body
