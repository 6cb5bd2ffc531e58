"""What a tester makes a module do: hold an output or its lamps, give them back, run its own tests.

By ISO 14229-1: InputOutputControlByIdentifier and RoutineControl in the extended session after security
access. While an output is held the tester stays connected and keeps the session open (TesterPresent), so that
a meter can be put to the circuit; the session's end gives all outputs back.

Not modeled: outputs that are pulsed, a stop button, conditions of a real module (speed, engine, gear).
"""

from __future__ import annotations

from dataclasses import dataclass

from sim.bench.setting_up import refusal_of
from sim.bench.tester import Tester
from sim.modules import uds_client as asks
from sim.modules.tester_control import SELF_TEST_ROUTINE, outputs_of
from sim.modules.uds_protocol import OutputControl, RoutineControl, Session
from sim.modules.uds_responses import NoResponse, PositiveResponse, Response
from sim.vehicle.car import Car
from sim.vehicle.words import counted


def actuate(tester: Tester, name: str, output: str, on: bool, car: Car) -> dict[str, Response]:
    """Switch an output of a module and hold it so; the last response of the module."""
    if not tester.begin(f"switches {name} {output} {'on' if on else 'off'}"):
        return {name: NoResponse(name)}
    adjust = OutputControl.SHORT_TERM_ADJUSTMENT
    request = asks.input_output_control(outputs_of(car, name)[output], adjust, bytes([on]))
    response = tester.unlock_in(name, Session.EXTENDED)
    if isinstance(response, PositiveResponse):
        response = tester.ask(name, request)
    if isinstance(response, PositiveResponse):
        tester.hold(name)
    tester.end()
    return {name: response}


def release(tester: Tester, name: str) -> dict[str, Response]:
    """End the session of a module: it switches its outputs by itself again."""
    if not tester.begin(f"releases {name}"):
        return {name: NoResponse(name)}
    response = tester.ask(name, asks.diagnostic_session_control(Session.DEFAULT))
    tester.let_go(name)
    tester.end()
    return {name: response}


@dataclass(frozen=True, slots=True)
class SelfTest:
    """The result of a module's self-test: how many codes it tests for, and how many of these fail now."""

    module: str
    time_s: float
    tested: int = 0
    failing: int = 0
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence."""
        if self.refusal:
            return f"{self.module}: {self.refusal}"
        fails = "none fails" if not self.failing else f"{self.failing} failing"
        return f"{self.module}: {counted(self.tested, 'test')} run, {fails}"


def self_test(tester: Tester, name: str) -> SelfTest:
    """Let a module run all its tests anew, which takes a second or two."""
    if not tester.begin(f"lets {name} test itself"):
        return SelfTest(name, tester.now_s, refusal="the tester has no power")
    response = tester.ask(name, asks.diagnostic_session_control(Session.EXTENDED))
    if isinstance(response, PositiveResponse):
        response = tester.ask(name, asks.routine_control(RoutineControl.START, SELF_TEST_ROUTINE))
    tester.end()
    if not isinstance(response, PositiveResponse) or len(response.data) != 5:
        return SelfTest(name, tester.now_s, refusal=refusal_of(response))
    return SelfTest(name, tester.now_s, response.data[3], response.data[4])
