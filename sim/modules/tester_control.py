"""What a tester can make a module do: outputs, a self-test, silence.

Identifiers lie in the ranges that ISO 14229-1 leaves to the vehicle's maker and are our own: output n of a
module is data identifier 0200 + n in the file's order, all its telltales together 0280, the self-test is
routine 0201, the repeat message request of network management routine 0202.

Not modeled: a control enable mask, several outputs in one request, silence on one of several buses, network
management frames that are sent and not heard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Final

from sim.modules.fault_memory import Status
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.managed_bus import ManagedBus
from sim.modules.pins import Outputs
from sim.modules.uds_protocol import (
    MANAGEMENT_MESSAGES,
    NORMAL_MESSAGES,
    CommunicationControl,
    OutputControl,
    RoutineControl,
)
from sim.modules.uds_server import DiagnosticAction
from sim.modules.world import Host
from sim.vehicle.car import Car

FIRST_OUTPUT_DID: Final = 0x0200
LAMPS_DID: Final = 0x0280
LAMPS: Final = "lamps"
SELF_TEST_ROUTINE: Final = 0x0201
REPEAT_MESSAGE_ROUTINE: Final = 0x0202
SELF_TEST_S: Final = 1.0  # as long as tests of the shipped cars take to mature, twice; our own choice


def outputs_of(car: Car, module: str) -> dict[str, int]:
    """What a tester can switch at a module, with identifiers: outputs, and all telltales as `lamps`."""
    spec = car.built.modules[module]
    found = {name: did for did, name in enumerate(spec.outputs, start=FIRST_OUTPUT_DID)}
    return found | ({LAMPS: LAMPS_DID} if spec.telltales else {})


class TesterControl:
    """What a tester makes one module do.

    muted: it sends no messages. deaf: it ignores messages, and tests nothing meanwhile. event: the
    last thing that a tester made it do. `talk` is called when it may send messages again, or not any more.
    """

    def __init__(
        self,
        host: Host,
        faults: FaultRecorder,
        outputs: Outputs,
        managed: Mapping[str, ManagedBus],
        talk: Callable[[], None],
    ) -> None:
        self.muted = self.deaf = False
        self.event: int | None = None
        self._host = host
        self._faults = faults
        self._outputs = outputs
        self._managed = managed
        self._talk = talk
        self._tested = False

    def outputs(self) -> dict[int, DiagnosticAction]:
        """Service 2F: the module's drivers, after security access."""
        known = outputs_of(self._host.world.car, self._host.name)
        acts = {name: self._lamps if name == LAMPS else partial(self._output, name) for name in known}
        return {did: DiagnosticAction(acts[name], locked=True, state_bytes=1) for name, did in known.items()}

    def routines(self) -> dict[int, DiagnosticAction]:
        """Service 31: every test of the module anew; the result is how many there are and how many fail.

        On buses with network management also a repeat message request, by which all nodes show themselves.
        """
        routines = {SELF_TEST_ROUTINE: DiagnosticAction(self._self_test, takes_s=SELF_TEST_S)}
        if self._managed:
            routines[REPEAT_MESSAGE_ROUTINE] = DiagnosticAction(self._ask_who_is_there)
        return routines

    def communication(self, control: CommunicationControl, kind: int) -> None:
        """Service 28: messages, network management frames, or both."""
        if kind & MANAGEMENT_MESSAGES:
            for managed in self._managed.values():
                managed.allow_sending(control.sends)
        if kind & NORMAL_MESSAGES:
            muted, deaf = not control.sends, not control.receives
            if (muted, deaf) != (self.muted, self.deaf):
                self.muted, self.deaf = muted, deaf
                self._note(_WORDS[muted, deaf])
                self._talk()

    def _output(self, name: str, parameter: int, data: bytes) -> bytes | None:
        if parameter == OutputControl.SHORT_TERM_ADJUSTMENT and data[0] > 1:
            return None
        now = self._outputs.on[name]
        wanted = _wanted(parameter, data, now)
        if wanted is not None:
            event = self._note(f"holds {name} {'on' if wanted else 'off'}")
            self._outputs.held[name] = (wanted, event)
        elif name in self._outputs.held:
            self._note(f"switches {name} by itself again")
            del self._outputs.held[name]
        self._host.invalidate()
        return bytes([now if wanted is None else wanted])

    def _lamps(self, parameter: int, data: bytes) -> bytes | None:
        """All telltales together, as for a lamp check."""
        if parameter == OutputControl.SHORT_TERM_ADJUSTMENT and data[0] > 1:
            return None
        outputs = self._outputs
        now = all(outputs.telltales.values())
        wanted = _wanted(parameter, data, now)
        if wanted is not None:
            outputs.lamps_held = (wanted, self._note(f"holds all lamps {'on' if wanted else 'off'}"))
        elif outputs.lamps_held is not None:
            self._note("switches its lamps by itself again")
            outputs.lamps_held = None
        self._host.invalidate()
        return bytes([now if wanted is None else wanted])

    def _self_test(self, kind: int, data: bytes) -> bytes | None:
        if data or kind == RoutineControl.STOP:
            return None
        tests = self._faults.tests
        if kind == RoutineControl.START:
            self._note("runs a self-test")
            self._tested = True
            for test in tests:
                test.again()
        if not self._tested:
            return None
        codes = {test.code for test in tests}
        failing = [code for code in codes if self._faults.memory.get(code).status & Status.TEST_FAILED]
        return bytes([len(codes), len(failing)])

    def _ask_who_is_there(self, kind: int, data: bytes) -> bytes | None:
        if data or kind != RoutineControl.START:
            return None
        self._note("asks who is on the bus")
        for managed in self._managed.values():
            managed.ask_for_repeat(self.event)
        return b""

    def _note(self, words: str) -> int:
        told = f"{self._host.name} {words}, as a tester commands"
        self.event = self._host.record("control", told, (self._host.world.tester_event,))
        return self.event


def _wanted(parameter: int, data: bytes, now: bool) -> bool | None:
    """What an output is held at by a control parameter; None where it is given back."""
    return {
        OutputControl.RESET_TO_DEFAULT: False,
        OutputControl.FREEZE_CURRENT_STATE: now,
        OutputControl.SHORT_TERM_ADJUSTMENT: data == b"\x01",
    }.get(OutputControl(parameter))


_WORDS: Final = {
    (False, False): "sends and receives messages again",
    (True, False): "sends no messages",
    (False, True): "ignores messages",
    (True, True): "sends no messages and ignores all",
}
