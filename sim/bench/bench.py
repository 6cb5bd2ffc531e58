"""A bench: one car being worked on.

A bench is a function of car, given edits, seed and the list of actions (`log`). `Bench.replay` with the same
four gives the same trace, byte for byte; rewinding is replaying a shorter log.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from sim.bench.actions import Action, parse_action
from sim.bench.asking import Asked
from sim.bench.handling import drive, stop_at_the_lights, warm, wiggle
from sim.bench.j1939_reading import j1939_reading
from sim.bench.live import Fidelity, LiveCar, LiveCarWithoutReasons
from sim.bench.observing import Observed, observe
from sim.bench.orange import refuse_orange_probing, refuse_orange_work
from sim.bench.reading_out import CodeDetails, LiveReading, Told, details, live_reading, readiness
from sim.bench.setting_up import Identification, identify, refusal_of, set_up
from sim.bench.tester import Report, Tester
from sim.bench.tester_tests import actuate, release, self_test
from sim.modules.gateway import GUARDED
from sim.modules.trace import Event, Trace
from sim.modules.uds_protocol import NegativeResponseCode
from sim.modules.uds_responses import NegativeResponse, NoResponse, PositiveResponse, Response
from sim.network.stream_fidelity import NotAtThisFidelity
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS, parse_edit
from sim.vehicle.elements import CHARGE_CABLE
from sim.vehicle.problems import EditProblem
from sim.vehicle.words import counted

SETTLE_S = 0.05  # a hand takes a moment: relays have moved before the next action
SLICE_S, MOST_SLICES = 5.0, 200  # of a wait whose progress is told; our own choice
PRESS_S = 0.3
BRAKE_LEAD_S = 0.5
KEY_CRANK_S = 2.0
GUARDED_SERVICES = frozenset(service for services in GUARDED.values() for service in services)
MOST_READINGS = 120  # of one module's live data, kept for a graph
GATEWAY_LOCKED = "the gateway is locked: unlock it first"


MOST_NAMED = 5  # modules that did what they were asked; of more their number tells as much


@dataclass(frozen=True)
class Outcome:
    """What an action brought: its normal form, the events since, and what the tester answered, if asked."""

    action: str
    events: tuple[Event, ...]
    report: Report | None = None
    responses: dict[str, Response] = field(default_factory=dict)
    told: Told | None = None  # what was read besides codes

    @property
    def words(self) -> str:
        """One sentence for the log of the person who works on the car."""
        if self.report is not None:
            if not self.report.power:
                return "the tester has no power from the diagnostic connector"
            answering = len(self.report.modules) - len(self.report.silent)
            codes = counted(len(self.report.codes), "code")
            return f"{answering} of {len(self.report.modules)} modules answer, {codes}"
        if self.told is not None:
            return self.told.words
        if self.responses:
            locked = {name for name in self.responses if self._is_locked_out(name)}
            told = [GATEWAY_LOCKED] if locked else []
            kinds = {"done": PositiveResponse, "refused": NegativeResponse, "no answer": NoResponse}
            for words, kind in kinds.items():
                found = {name: one for name, one in self.responses.items() if isinstance(one, kind)}
                if names := [_with_reason(name, one) for name, one in found.items() if name not in locked]:
                    several = kind is PositiveResponse and len(names) > MOST_NAMED
                    told.append(f"{words}: {f'{len(names)} modules' if several else ', '.join(names)}")
            return "; ".join(told)
        return ""

    def _is_locked_out(self, name: str) -> bool:
        """Is something refused for want of security access, as a locked gateway does?"""
        response = self.responses[name]
        denied = NegativeResponseCode.SECURITY_ACCESS_DENIED
        return (
            isinstance(response, NegativeResponse)
            and response.service in GUARDED_SERVICES
            and response.reason == denied
        )


def _with_reason(name: str, response: Response) -> str:
    """A module, and why it refuses."""
    return f"{name}: {refusal_of(response)}" if isinstance(response, NegativeResponse) else name


class Bench:
    """One running car. `do` takes an action sentence; `trace`, `log`, `reports` are what came of it.

    `given` are edits the car arrives with (a customer's fault, a theory about its design); made before time
    begins. The battery is connected at time 0, so every module starts once and sleeps if nothing keeps it
    awake.

    `fidelity` is `frame` (every frame) or `stream` (only changes of periodic messages, thousands of times
    faster; it goes over to frame fidelity by itself if it cannot answer).
    """

    live_car: type[LiveCar] = LiveCar

    def __init__(
        self, car: Car, given: Iterable[str] = (), seed: int = 0, fidelity: Fidelity = "frame"
    ) -> None:
        try:
            self._begin(car, given, seed, fidelity)
        except NotAtThisFidelity:
            self._begin(car, given, seed, "frame")

    def _begin(self, car: Car, given: Iterable[str], seed: int, fidelity: Fidelity) -> None:
        self.base = car
        self.fidelity: Fidelity = fidelity
        self.given = tuple(given)
        self.seed = seed
        self.log: list[str] = []
        self.cut_off = False  # in the middle of an action, which an exception has ended
        self.reports: dict[str, Report] = {}
        self.pace: Callable[[float], None] | None = None  # how time passes up to an instant; None: at once
        self.last_report: Report | None = None
        self.identifications: dict[str, Identification] = {}  # the last of each module
        self.live_readings: dict[str, list[LiveReading]] = {}  # of each module, up to MOST_READINGS
        self.details: CodeDetails | None = None  # the last that were read
        self.tests: dict[str, Told] = {}  # the last of each module's self-test, of `readiness` and `faults`
        self.cleared_since_scan = False  # the last report is from before codes were cleared
        self.observed: Observed | None = None  # by the last measurement or look; read by `sim.instruments`
        edits = [parse_edit(text, car) for text in self.given]
        designed = car
        for edit in edits:
            if edit.theory:
                designed = edit.apply(designed)
        self.live = self.live_car(designed, seed, fidelity)
        for edit in edits:
            if edit.theory:
                self.live.suppose(edit.theory)
        for edit in edits:
            if not edit.theory:
                self.live.edit(edit, f"given: {edit.text}")
        self.live.connect_battery()
        self.tester = Tester(self.live)
        self.live.run(SETTLE_S)

    @property
    def trace(self) -> Trace:
        """Everything that has happened."""
        return self.live.trace

    @property
    def now_s(self) -> float:
        """Simulated time in seconds."""
        return self.live.now_s

    @property
    def car(self) -> Car:
        """The car as it is now."""
        return self.live.car

    def do(self, text: str, progress: Callable[[float], None] | None = None) -> Outcome:
        """Do one action; raises `EditProblem`, with nothing changed, where it makes no sense now."""
        action = parse_action(text, self.live.car)
        start, hold = len(self.trace), self.live.hold
        if action.verb not in ("observe", "wait", "ask"):  # the meter waits, too
            self.live.begin_hold()
        self.cut_off = True
        try:
            found = _DOERS[action.verb](self, action, progress)
        except NotAtThisFidelity:
            self._go_to_frame_fidelity()
            return self.do(text, progress)
        except EditProblem:
            self.live.hold, self.cut_off = hold, False
            raise
        self.cut_off = False
        self.log.append(action.text)
        events = tuple(self.trace.events[start:])
        if isinstance(found, Report):
            return Outcome(action.text, events, found)
        if isinstance(found, Told):
            return Outcome(action.text, events, told=found)
        return Outcome(action.text, events, responses=found or {})

    def do_all(self, texts: Iterable[str]) -> list[Outcome]:
        """Do several actions in order."""
        return [self.do(text) for text in texts]

    def _go_to_frame_fidelity(self) -> None:
        """What stream fidelity cannot answer is done again, from the beginning, frame by frame."""
        log = self.log
        self._begin(self.base, self.given, self.seed, "frame")
        for text in log:
            self.do(text)

    @classmethod
    def replay(
        cls, car: Car, given: Iterable[str], seed: int, log: Iterable[str], fidelity: Fidelity = "frame"
    ) -> Bench:
        """The bench after the same actions."""
        bench = cls(car, given, seed, fidelity)
        bench.do_all(log)
        return bench

    def rewind(self, keep: int) -> Bench:
        """A bench after the first `keep` actions of this one's log."""
        if not 0 <= keep <= len(self.log):
            raise EditProblem(f"the log has {len(self.log)} actions; it cannot be rewound to {keep}")
        return Bench.replay(self.base, self.given, self.seed, self.log[:keep], self.fidelity)

    def with_given(self, given: Iterable[str]) -> Bench:
        """The same actions on the same car with other given edits: what would have happened."""
        return Bench.replay(self.base, given, self.seed, self.log, self.fidelity)

    def saved(self) -> str:
        """The bench as text: what `restored` needs besides the car."""
        return json.dumps({"given": list(self.given), "seed": self.seed, "log": self.log}, ensure_ascii=False)

    @classmethod
    def restored(cls, car: Car, text: str) -> Bench:
        """The bench that `saved` wrote; raises `EditProblem` where the text is no such thing."""
        return cls.replay(car, *parts_of(text))

    # -- doing -----------------------------------------------------------------------------------------

    def _run(self, for_s: float, progress: Callable[[float], None] | None = None) -> None:
        """Let time pass, in slices if progress is to be reported."""
        slices = max(1, min(int(for_s // SLICE_S), MOST_SLICES)) if progress else 1
        end_s = self.now_s + for_s
        for place in range(slices):
            until_s = end_s if place == slices - 1 else self.now_s + for_s / slices
            (self.pace or self.live.run_until)(until_s)
            if progress:
                progress((place + 1) / slices)

    def _operate(self, operated_by: str, on: bool, words: str) -> None:
        self.live.operate(operated_by, on, words)
        self._run(SETTLE_S)


def parts_of(saved: str) -> tuple[tuple[str, ...], int, tuple[str, ...]]:
    """Given edits, seed and log of a saved bench; raises `EditProblem` where the text is none."""
    try:
        bench = json.loads(saved)
        given, seed, log = bench["given"], bench["seed"], bench["log"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise EditProblem("this is not a saved bench") from None
    texts = all(isinstance(one, list) and all(isinstance(text, str) for text in one) for one in (given, log))
    if not texts or not isinstance(seed, int):
        raise EditProblem("this is not a saved bench")
    return tuple(given), seed, tuple(log)


class BenchWithoutReasons(Bench):
    """A bench for many runs: everything happens as on any other, but no event says why."""

    live_car = LiveCarWithoutReasons


_Found = Report | dict[str, Response] | Told | None
_Progress = Callable[[float], None] | None


def _edit(bench: Bench, action: Action, progress: _Progress) -> _Found:
    edit = action.edit
    assert edit is not None  # what this verb means
    if edit.kind == "theory":
        raise EditProblem(
            "a theory is about how the car was built: start a bench with it, or branch this one"
        )
    refuse_orange_work(edit, bench.car)
    if EDIT_KINDS[edit.verb].tool == "program":
        return set_up(bench.tester, edit, bench.base)
    bench.live.edit(edit)
    bench._run(SETTLE_S)
    return None


def _wait(bench: Bench, action: Action, progress: _Progress) -> None:
    bench._run(action.number, progress)


def _press(bench: Bench, action: Action, progress: _Progress) -> None:
    had_brake = "brake" in bench.live.operated
    if action.argument and not had_brake:
        bench._operate("brake", True, "a foot goes on the brake pedal")
        bench._run(BRAKE_LEAD_S)
    bench._operate("button", True, "the start button is pressed")
    bench._run(PRESS_S)
    bench._operate("button", False, "the start button is released")
    bench._run(PRESS_S)
    if action.argument and not had_brake:
        bench._operate("brake", False, "the foot leaves the brake pedal")


def _brake(bench: Bench, action: Action, progress: _Progress) -> None:
    bench._operate("brake", action.on, f"a foot {'goes on' if action.on else 'leaves'} the brake pedal")


def _key(bench: Bench, action: Action, progress: _Progress) -> None:
    closed = {
        "off": (), "accessory": ("key_accessory",), "run": ("key_accessory", "key_run"),
        "crank": ("key_run", "key_crank"),
    }  # fmt: skip
    position = action.argument
    for contact in ("key_accessory", "key_run", "key_crank"):
        on = contact in closed[position]
        if on != (contact in bench.live.operated):
            bench.live.operate(contact, on, f"the key is turned to {position}")
    bench._run(SETTLE_S)
    if position == "crank":
        bench._run(KEY_CRANK_S)
        _key(bench, Action("key run", "key", "run"), None)


def _fob(bench: Bench, action: Action, progress: _Progress) -> None:
    bench.live.put_fob(action.argument)
    bench._run(SETTLE_S)


def _switch(bench: Bench, action: Action, progress: _Progress) -> None:
    name, word = action.argument, "on" if action.on else "off"
    bench._operate(bench.car.built.switches[name].operated_by, action.on, f"{name} is switched {word}")


def _cable(bench: Bench, action: Action, progress: _Progress) -> None:
    words = f"a charging cable is {'plugged into' if action.on else 'taken out of'} the inlet"
    bench._operate(CHARGE_CABLE, action.on, words)


def _drive(bench: Bench, action: Action, progress: _Progress) -> None:
    go = stop_at_the_lights if action.argument else drive
    go(bench.live, int(action.number), bench._run)


def _wiggle(bench: Bench, action: Action, progress: _Progress) -> None:
    wiggle(bench.live, action.argument, bench._run)


def _warm(bench: Bench, action: Action, progress: _Progress) -> None:
    warm(bench.live, action, bench._run)


def _ask(bench: Bench, action: Action, progress: _Progress) -> Asked:
    assert action.asked is not None  # what this verb means
    return action.asked


def _scan(bench: Bench, action: Action, progress: _Progress) -> _Found:
    bench.last_report = bench.tester.scan((lambda done, of: progress(done / of)) if progress else None)
    bench.cleared_since_scan = False
    return bench.last_report


def _save(bench: Bench, action: Action, progress: _Progress) -> None:
    if bench.last_report is None:
        raise EditProblem("there is no scan to save yet")
    bench.reports[action.argument] = bench.last_report


def _clear(bench: Bench, action: Action, progress: _Progress) -> _Found:
    names = [action.argument] if action.argument else list(bench.car.addresses)
    responses = bench.tester.clear(names)
    done = any(isinstance(response, PositiveResponse) for response in responses.values())
    bench.cleared_since_scan = bench.last_report is not None and (bench.cleared_since_scan or done)
    return responses


def _unlock(bench: Bench, action: Action, progress: _Progress) -> _Found:
    return {action.argument: bench.tester.unlock(action.argument)}


def _identify(bench: Bench, action: Action, progress: _Progress) -> _Found:
    found = identify(bench.tester, action.argument, bench.base)
    bench.identifications[action.argument] = found
    return found


def _read(bench: Bench, action: Action, progress: _Progress) -> _Found:
    readings = live_reading(bench.tester, action.argument, bench.base, action.number)
    known = bench.live_readings.setdefault(action.argument, [])
    known += readings
    del known[:-MOST_READINGS]
    return readings[-1]


def _details(bench: Bench, action: Action, progress: _Progress) -> _Found:
    name, code = action.argument.split()
    bench.details = details(bench.tester, name, code)
    return bench.details


def _readiness(bench: Bench, action: Action, progress: _Progress) -> _Found:
    bench.tests["readiness"] = found = readiness(bench.tester, bench.base)
    return found


def _faults(bench: Bench, action: Action, progress: _Progress) -> _Found:
    bench.tests["faults"] = found = j1939_reading(bench.tester, bench.base)
    return found


def _actuate(bench: Bench, action: Action, progress: _Progress) -> _Found:
    name, output = action.argument.split()
    return actuate(bench.tester, name, output, action.on, bench.base)


def _release(bench: Bench, action: Action, progress: _Progress) -> _Found:
    return release(bench.tester, action.argument)


def _self_test(bench: Bench, action: Action, progress: _Progress) -> _Found:
    bench.tests[action.argument] = found = self_test(bench.tester, action.argument)
    return found


def _observe(bench: Bench, action: Action, progress: _Progress) -> None:
    assert action.observation is not None  # what this verb means
    refuse_orange_probing(action.observation, bench.car)
    bench.observed = observe(bench.live, action.observation)


_DOERS: dict[str, Callable[[Bench, Action, _Progress], _Found]] = {
    "edit": _edit,
    "wait": _wait,
    "drive": _drive,
    "wiggle": _wiggle,
    "heat": _warm,
    "freeze": _warm,
    "press": _press,
    "brake": _brake,
    "key": _key,
    "fob": _fob,
    "switch": _switch,
    "cable": _cable,
    "ask": _ask,
    "scan": _scan,
    "save": _save,
    "clear": _clear,
    "unlock": _unlock,
    "identify": _identify,
    "read": _read,
    "details": _details,
    "readiness": _readiness,
    "faults": _faults,
    "actuate": _actuate,
    "release": _release,
    "selftest": _self_test,
    "observe": _observe,
}
