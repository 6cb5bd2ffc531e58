"""Why: a code, a silent module, a mode that will not change, a lamp, an engine that does not start, a bus
that is awake, a battery that is flat.

Every answer is a tree of plain sentences back to what was done to the car. Nothing is guessed: sentences are
events of the trace, or facts of this instant with the events that made them so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from sim.bench.bench import Bench
from sim.bench.engine import Hindrance
from sim.bench.traffic import frame_path, no_tester_address
from sim.modules.facts import Evaluation, in_words
from sim.modules.module import ControlModule
from sim.vehicle.car import Car
from sim.vehicle.conditions import Condition
from sim.vehicle.description_high_voltage import HighVoltage
from sim.vehicle.elements import TESTER
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.wire_names import in_words as wires_in_words

EDIT_KINDS = ("fault", "repair", "theory")
MOST_NAMED, LEAST_SHARE = 5, 0.05  # of those who took charge from the battery


@dataclass(frozen=True, slots=True)
class Because:
    """A sentence, when it came true (None: it holds now), and what it follows from."""

    text: str
    time_s: float | None = None
    causes: tuple[Because, ...] = ()
    edited: bool = False  # this sentence is an edit of the car

    @property
    def reaches_edit(self) -> bool:
        """Is an edit of the car among its direct or indirect causes?"""
        return self.edited or any(cause.reaches_edit for cause in self.causes)

    def to_edits(self) -> Because:
        """The tree with only the branches that lead to edits; unchanged where none does."""
        if not self.reaches_edit:
            return self
        kept = tuple(cause.to_edits() for cause in self.causes if cause.reaches_edit)
        return Because(self.text, self.time_s, kept, self.edited)

    def in_words(self, car: Car) -> Because:
        """The tree with the wires and splices that its sentences name in words."""
        causes = tuple(cause.in_words(car) for cause in self.causes)
        return replace(self, text=wires_in_words(self.text, car), causes=causes)

    def lines(self, depth: int = 0) -> Iterator[str]:
        """The tree as indented lines."""
        when = "" if self.time_s is None else f" (at {self.time_s:.3f} s)"
        yield f"{'  ' * depth}{'because ' if depth else ''}{self.text}{when}"
        for cause in self.causes:
            yield from cause.lines(depth + 1)

    def roots(self) -> list[str]:
        """Return the sentences without causes, without repeats."""
        if not self.causes:
            return [self.text]
        return list(dict.fromkeys(text for cause in self.causes for text in cause.roots()))


def why_event(bench: Bench, event_id: int) -> Because:
    """The chain of causes of one event. An event met before in the same chain is not opened again."""
    return _opened(bench, event_id, set())


def why_code(bench: Bench, module: str, code: str) -> Because:
    """Why a module holds a code, given with or without its failure type."""
    spec = _module(bench, module)
    wanted = code.upper()
    for name, event in spec.faults.dtc_events.items():
        if wanted in (name, name.partition("-")[0]):
            return why_event(bench, event)
    return Because(f"{module} has not set {wanted}")


def why_silent(bench: Bench, module: str) -> Because:
    """Why a module does not answer the tester (or that nothing keeps it from answering)."""
    spec = _module(bench, module)
    if module not in bench.car.addresses:
        return Because(no_tester_address(bench.car, module))
    cause = _starved_tester(bench) or _blocked(bench, module)
    told = bench.tester.told_of(module)
    if cause:
        cause = Because(told, None, (cause,)) if told else cause
        return Because(f"{module} does not answer the tester", None, (cause,))
    would_wake = "" if spec.answers else ": it is asleep, a tester would wake it"
    return Because(f"nothing keeps {module} from answering{would_wake}")


def _starved_tester(bench: Bench) -> Because | None:
    """Why the tester itself has no supply, if it has none."""
    live = bench.live
    if live.tester_has_power:
        return None
    culprits = live.causes.edits(live.reading_with_tester.why_unsupplied(TESTER), TESTER)
    return Because("the diagnostic connector gives the tester no power", None, _all(bench, culprits))


def _blocked(bench: Bench, module: str) -> Because | None:
    """The first thing on the path from the tester to a module that keeps frames from passing."""
    live = bench.live
    for sender, receiver in frame_path(live.car, TESTER, module):
        for channel in (sender, receiver):
            other = live.modules.get(live.car.transceivers[channel].module)
            passes_nothing = other and other.name != module and other.state == "boot mode"
            if other and (passes_nothing or (not other.answers and not other.sleep.wakes_by_bus)):
                return _state(bench, other)
        broken = _off(bench, sender, receiver) or _broken(bench, sender, receiver)
        if broken:
            return broken
    return None


def why_mode(bench: Bench) -> Because:
    """Why the power mode is what it is, and what each way out of it still needs."""
    for module in bench.live.modules.values():
        if module.master:
            return _mode_of(bench, module)
    return Because("this car has no power-mode master")


def why_telltale(bench: Bench, name: str) -> Because:
    """Why a telltale is lit or dark."""
    for module in bench.live.modules.values():
        if name in module.outputs.telltales:
            lit = module.outputs.telltales[name]
            when = module.spec.telltales[name].when
            evaluation = module.knowledge.judge(when)
            text = f"telltale {name} is {'lit' if lit else 'dark'}"
            if not module.sends:
                return Because(text, None, _all(bench, (module.state_event,)))
            check = module.outputs.lamp_check(name)
            if lit and check is not None:
                return Because(f"{text} for the lamp check", None, _all(bench, (check,)))
            events = (*_senders_reasons(bench, module, when, evaluation), *evaluation.events)
            return Because(text, None, _all(bench, events) or tuple(_needs(bench, module, evaluation.unmet)))
    raise EditProblem(
        unknown("telltale", name, [t for m in bench.live.modules.values() for t in m.outputs.telltales])
    )


def _senders_reasons(
    bench: Bench, module: ControlModule, condition: Condition, evaluation: Evaluation
) -> Iterator[int | None]:
    """Yield what the senders of a condition's signals base their present values on."""
    for name in dict.fromkeys(condition.signals()):
        fact = module.knowledge.signal(name)
        if fact.value is not None and fact.event in evaluation.events:
            message = bench.car.messages.sent[bench.car.messages.carrier[name]]
            yield from bench.live.modules[message.sender].sending.signals.causes(name)


def why_engine(bench: Bench) -> Because:
    """Why the engine does not crank, does not start, or that it runs."""
    live = bench.live
    spec = live.car.built.engine
    if live.car.built.high_voltage:
        return _why_ready(bench, live.car.built.high_voltage)
    if spec is None:
        return Because("this car has no engine described")
    state = live.world.engine.value
    controller = live.modules[spec.controller]
    if state == "running":
        return Because("engine running", None, _all(bench, (live.world.engine.event,)))
    if controller.start_stop and controller.start_stop.cuts:
        stopped = _all(bench, (controller.start_stop.event,))
        return Because("start-stop keeps the engine off", None, stopped)
    reasons = []
    if controller.set_up.is_blank:
        coding = _all(bench, (controller.set_up.edit_event("coding"),))
        reasons.append(Because(f"{controller.name} is not coded and switches nothing", None, coding))
    if state == "cranking":
        reasons += _hindered(bench, live.engine.hindrances())
    else:
        reasons += [] if controller.sends else [_state(bench, controller)]
        reasons += [*_unreleased(bench, controller), *_hindered(bench, live.engine.starved_cylinders())]
        reasons += [*_last_cranked(bench), *_starter_needs(bench, spec.starter)]
    words = {"stopped": "engine not running", "cranking": "the engine cranks but does not start"}
    return Because(words[str(state)], None, tuple(reasons))


def why_start_stop(bench: Bench) -> Because:
    """Why start-stop lets the engine run: conditions that it misses, and what the driver does not ask."""
    spec = bench.live.car.built.engine
    controller = bench.live.modules[spec.controller] if spec else None
    part = controller.start_stop if controller else None
    if controller is None or part is None:
        return Because("this car has no start-stop")
    if not controller.sends:
        return Because("start-stop does nothing", None, (_state(bench, controller),))
    if part.cuts:
        return Because("start-stop keeps the engine off", None, _all(bench, (part.event,)))
    if bench.live.world.engine.value != "running":
        return Because("the engine does not run: there is nothing to stop")
    missed = []
    for name, judged in part.why_not():
        needs = tuple(_needs(bench, controller, judged.unmet)) or _all(bench, judged.events)
        missed.append(Because(f"it needs: {name.replace('_', ' ')}", None, needs))
    missed += [] if part.has_driven else [Because("the car has not driven since the last stop")]
    missed += _needs(bench, controller, part.asks_driver().unmet)
    return Because("start-stop lets the engine run", None, tuple(missed))


def _hindered(bench: Bench, found: Iterable[Hindrance]) -> Iterator[Because]:
    """What keeps the engine from firing, with the events behind it."""
    return (Because(one.text, None, _all(bench, one.causes)) for one in found)


def _last_cranked(bench: Bench) -> Iterator[Because]:
    """Why the engine did not start when it was last cranked: what feeds it has been switched off since."""
    engine, event = bench.live.engine, bench.live.world.engine.event
    if engine.last_cranked and event is not None:
        reasons = tuple(_hindered(bench, engine.last_cranked))
        yield Because("the engine was cranked and did not start", bench.trace[event].time_s, reasons)


def _why_ready(bench: Bench, spec: HighVoltage) -> Because:
    """Why a car without an engine is ready to drive, or not."""
    live = bench.live
    if live.world.engine.value == "ready":
        return Because("the vehicle is ready to drive", None, _all(bench, (live.world.engine.event,)))
    drive, pack = live.modules[spec.drive], live.modules[spec.controller]
    reasons = [_state(bench, module) for module in (drive, pack) if not module.sends]
    if drive.sends:
        mode = drive.knowledge.known_mode()
        if mode != "run":
            events = _all(bench, (drive.knowledge.mode_event(),))
            reasons.append(Because(f"{drive.name} knows no power mode run", None, events))
        reasons += _unreleased(bench, drive)
    control = pack.contactors
    if pack.sends and control and control.step != "closed":
        events = _all(bench, (control.event,))
        reasons.append(Because(f"the contactors are not closed: {control.told}", None, events))
    return Because("the vehicle is not ready to drive", None, tuple(reasons))


def _unreleased(bench: Bench, controller: ControlModule) -> Iterator[Because]:
    """The immobilizer, if it has not released the engine's controller."""
    if controller.starter and not controller.starter.released:
        events = _all(bench, bench.live.causes.release())
        yield Because(f"{controller.name} is not released by the immobilizer", None, events)


def why_awake(bench: Bench, bus: str) -> Because:
    """Why a bus is awake: the modules that need it, each with its reasons; or that it is not."""
    live = bench.live
    if bus not in live.car.built.buses:
        raise EditProblem(unknown("bus", bus, live.car.built.buses))
    on_it = [module for module in live.modules.values() if bus in module.channels]
    awake = [module for module in on_it if module.sends_on(bus)]
    if not awake:
        return Because(f"no module is awake on {bus}")
    needed = tuple(_needs_bus(bench, module) for module in awake if module.sleep.reasons_now())
    text = f"{bus} is awake: {len(awake)} of {len(on_it)} modules send on it"
    return Because(text, None, needed or _all(bench, (module.state_event for module in awake)))


def why_battery(bench: Bench) -> Because:
    """Why the battery has the charge that it has: who has taken it, and what keeps them awake or on."""
    battery = bench.live.battery
    taken_ah = battery.taken_ah()
    total_ah = sum(taken_ah.values())
    text = f"the battery has {battery.charge_pct:.0f} % of its charge; {total_ah:.1f} Ah were drawn from it"
    most = sorted(taken_ah, key=lambda name: (-taken_ah[name], name))
    reasons = [module for module in bench.live.modules.values() if module.sleep.reasons_now()]
    kept = tuple(_needs_bus(bench, module) for module in reasons)
    shares = tuple(
        Because(f"{name} has drawn {taken_ah[name]:.1f} Ah")
        for name in most[:MOST_NAMED]
        if taken_ah[name] >= LEAST_SHARE * total_ah
    )
    fallen = _all(bench, (bench.live.latest.edits.get("BAT"),))
    return Because(text, None, (*kept, *fallen, *shares))


def _needs_bus(bench: Bench, module: ControlModule) -> Because:
    """Why one module does not let go."""
    reasons = module.sleep.reasons_now()
    words = ", ".join(dict.fromkeys(text for text, _ in reasons))
    return Because(f"{module.name} stays awake: {words}", None, _all(bench, (event for _, event in reasons)))


def _starter_needs(bench: Bench, starter: str) -> list[Because]:
    found = []
    for name, relay in bench.car.built.relays.items():
        if not any(end.target == starter for end in relay.ends):
            continue
        owner, switch = relay.driver.part, bench.car.built.switches.get(relay.driver.part)
        if switch:
            if switch.operated_by not in bench.live.operated:
                found.append(Because(f"{owner} does not switch {name}"))
            continue
        module = bench.live.modules[owner]
        evaluation = module.knowledge.judge(module.spec.outputs[relay.driver.pin].when)
        if module.sends and evaluation.value is not True:
            needs = tuple(_needs(bench, module, evaluation.unmet))
            found.append(Because(f"{owner} does not switch {name}", None, needs))
    return found


def _mode_of(bench: Bench, module: ControlModule) -> Because:
    master = module.master
    assert master is not None
    ways = []
    for rule, evaluation in master.why_not():
        if evaluation.value is True or rule.to == master.mode:
            continue
        needs = tuple(_needs(bench, module, evaluation.unmet))
        how = {
            "press": "at a press of the button",
            "release": "when the button is released",
            "change": "by itself",
        }
        ways.append(Because(f"it cannot go to {rule.to} {how[rule.on]}", None, needs))
    entered = _all(bench, (master.event,))
    return Because(f"power mode is {master.mode}", None, (*entered, *ways))


def _needs(bench: Bench, module: ControlModule, unmet: Iterable[Condition]) -> Iterator[Because]:
    """What each unmet fact lacks."""
    for leaf in dict.fromkeys(unmet):
        name = leaf.signal or leaf.missing
        text = f"{module.name} needs: {in_words(leaf)}"
        if name is None:
            fact = module.knowledge.read(leaf) if not leaf.not_ else None
            yield Because(text, None, _all(bench, (fact.event,)) if fact else ())
            continue
        known = module.knowledge.signal(name)
        if known.value is None and name in bench.car.messages.carrier and name not in module.spec.signals:
            message = bench.car.messages.carrier[name]
            events = bench.live.causes.silence(module.name, message)
            yield Because(f"{text}; {module.name} does not receive {message}", None, _all(bench, events))
        else:
            yield Because(f"{text}; {name} is {known.value}", None, _all(bench, (known.event,)))


def _state(bench: Bench, module: ControlModule) -> Because:
    """The state a module is in, with what led to it."""
    return Because(
        f"{module.name} is {module.state}", None, _all(bench, bench.live.causes.state(module.name))
    )


def _off(bench: Bench, *channels: str) -> Because | None:
    """A controller in bus-off, or a bus that is never free, on the way."""
    live = bench.live
    for channel in channels:
        if events := live.causes.bus_off(channel):
            text = (
                f"{channel} has no link" if live.car.transceivers[channel].phy else f"{channel} is in bus-off"
            )
            return Because(text, None, _all(bench, events))
        if events := live.causes.babble(channel):
            return Because(f"the bus of {channel} is never free", None, _all(bench, events))
    return None


def _broken(bench: Bench, sender: str, receiver: str) -> Because | None:
    live = bench.live
    together = live.reading_with_tester.connectivity(live.buses.powered()).segments
    if any(sender in group.members and receiver in group.members for group in together):
        return None
    causes = _all(bench, live.causes.link(sender, receiver))
    return Because(f"{sender} and {receiver} cannot communicate with each other", None, causes)


def _all(bench: Bench, events: Iterable[int | None]) -> tuple[Because, ...]:
    seen: set[int] = set()
    return tuple(_opened(bench, event, seen) for event in events if event is not None)


def _opened(bench: Bench, event_id: int, seen: set[int]) -> Because:
    event = bench.trace[event_id]
    edited = event.kind in EDIT_KINDS
    if event_id in seen:
        return Because(event.text, event.time_s, (), edited)
    seen.add(event_id)
    causes = tuple(_opened(bench, cause, seen) for cause in event.causes)
    return Because(event.text, event.time_s, causes, edited)


def _module(bench: Bench, name: str) -> ControlModule:
    if name not in bench.live.modules:
        raise EditProblem(unknown("module", name, bench.live.modules))
    return bench.live.modules[name]
