"""The next best check: what to look at now, so that the suspects part soonest in shop minutes.

    advice = next_check(find_suspects(...), workshop=workshop)
    print(advice.best.check.title, advice.best.bits_per_minute)
    for outcome in advice.best.outcomes:
        print(outcome.shows, "leaves", outcome.leaves)

Each suspect is run through each check; what this model shows is the outcome. Checks are ranked by expected
minutes to the end when each is tried first and the most information per minute decides after it (one-step
rollout, Tu and Pattipati 2003). Halving the suspects is what comes out where suspects, minutes and outcomes
are alike; nowhere is it assumed.

A check that spoils something, or that touches an airbag circuit, is never advised. Cautions stand beside the
others.

Looking and measuring change nothing, so what they show follows from the final state of each suspect's car
(`sim.lab.final_state`). Checks that change the car (a plug off, the battery off) take a run of each suspect
and are thought of only where looking and measuring tell nothing, or where it is asked for.

Not modelled: trim to be taken off, ways to walk, checks that mislead.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.bench.observations import OBSERVATION_VERBS, parse_observation
from sim.instruments import cautions
from sim.lab.compare import look_alike
from sim.lab.final_state import Shown, looked_key, looked_text
from sim.lab.odds import odds
from sim.lab.run import Sight
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.sequential import Sequencing, Test, cost_after
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text

# Minutes in the shop by the first word of an action: common practice, round figures.
MINUTES = {"scan": 3.0, "press": 0.2, "key": 0.1, "wait": 0.1, "unplug": 4.0, "plug": 2.0, "disconnect": 3.0,
           "reconnect": 2.0}  # fmt: skip
PREPARE_MINUTES = 1.0  # to find the place in the diagram and get there; common practice
MOST_CAUSES = 50  # the likeliest are compared; the others weigh next to nothing
MOST_ROLLOUTS = 12  # checks with the most information per minute that are thought one step further
INSIDE_VERBS = frozenset({"stick", "babble", "set"})
HALF = 0.1  # this near to half and half a check is said to halve


@dataclass(frozen=True, slots=True)
class Check:
    """Something to do and look at. `minutes` in the shop; `passive`: it changes nothing about the car."""

    actions: tuple[str, ...]
    minutes: float
    cautions: tuple[str, ...] = ()
    passive: bool = False

    @property
    def title(self) -> str:
        """The check in words."""
        return ", ".join(self.actions)


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """One thing that a check may show, how likely, and which suspects it would leave."""

    shows: str
    share: float
    leaves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ranked:
    """A check and its worth; its outcomes, the likeliest first.

    `minutes_to_end`: expected, this check first; None if not thought through.
    """

    check: Check
    bits: float
    minutes_to_end: float | None
    outcomes: tuple[CheckOutcome, ...]

    @property
    def bits_per_minute(self) -> float:
        """Expected information per shop minute."""
        return self.bits / self.check.minutes

    @property
    def halves(self) -> bool:
        """Does it cut the suspects in two halves of nearly equal weight?"""
        return len(self.outcomes) == 2 and self.outcomes[0].share - 0.5 <= HALF


@dataclass(frozen=True, slots=True)
class Advice:
    """Checks that tell suspects apart, best first. `compared`: how many suspects were, `of` how many."""

    ranked: tuple[Ranked, ...]
    compared: int
    of: int

    @property
    def best(self) -> Ranked | None:
        """The check to do now; None where none tells the suspects apart."""
        return self.ranked[0] if self.ranked else None

    @property
    def words(self) -> str:
        """The advice in a sentence."""
        if self.best is None and self.of < 2:
            left = "One suspect is left" if self.of else "No suspect is left"
            return f"{left}: there is nothing to tell apart."
        if self.best is None:
            return "No check that could be thought of here tells these suspects apart."
        how = "halves the suspects" if self.best.halves else f"is worth {self.best.bits:.2f} bits"
        return f"{self.best.check.title}: {how} in {self.best.check.minutes:g} min."


def next_check(
    found: SearchResult,
    *,
    checks: Sequence[Check] | None = None,
    every_kind: bool = False,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Advice:
    """Rank checks by how soon they would part the suspects; by default those that the suspects call for.

    `every_kind`: those that change the car, too, even where looking and measuring tell suspects apart.
    """
    car = car_from_text(found.vehicle)
    states = _states(found, car)
    if len(states) < 2:
        return Advice((), len(states), len(states))
    listed = possible_checks(car, states) if checks is None else checks
    passive = [check for check in listed if check.passive]
    active = [check for check in listed if not check.passive]
    shown = _shown_in_final_state(found, states, passive, workshop, progress, stop)
    if checks is not None or every_kind or not any(len(set(outcomes_alike(one))) > 1 for one in shown):
        shown += _shown_in_runs(found, states, active, workshop, progress, stop)
        listed = [*passive, *active]
    else:
        listed = passive
    tests = [Test(str(k), check.minutes, outcomes_alike(shown[k])) for k, check in enumerate(listed)]
    problem = Sequencing(tuple(one.odds for one in states), tuple(tests))
    ranked = [_ranked(problem, test, listed, shown, states) for test in problem.useful(problem.all_states)]
    ranked.sort(key=lambda one: -one.bits_per_minute)
    ahead = [_thought_through(one, problem, tests[listed.index(one.check)]) for one in ranked[:MOST_ROLLOUTS]]
    ahead.sort(key=lambda one: one.minutes_to_end or 0.0)
    every = sum(1 + len(one.alike) for one in found.causes)
    return Advice((*ahead, *ranked[MOST_ROLLOUTS:]), len(states), every)


# -- checks ------------------------------------------------------------------------------------------------


def possible_checks(car: Car, causes: Sequence[PossibleCause]) -> tuple[Check, ...]:
    """What a technician could do next to tell these suspects apart, nothing that spoils or endangers."""
    sentences = dict.fromkeys(text for one in causes for edit in one.edits for text in _looks(edit, car))
    passive = [check for text in sentences if (check := _passive(text, car)) is not None]
    return (*passive, *_active(car, _plugs_to_open(car, causes), _plugs_to_take_off(car, causes)))


def _looks(edit: str, car: Car) -> Iterator[str]:
    """Where one would look for this fault."""
    verb, name = edit.split()[:2]
    if verb in ("pull", "blow", "fit"):
        yield f"look {name}"
        if name in car.built.fuses:
            yield f"measure volts {name}.2 to BAT-"
    elif verb in ("unplug", "loosen"):
        yield f"look {name}"
    elif name in car.built.grounds:
        yield f"look {name}"
        yield f"measure volts {name} to BAT-"
    elif name in car.pins:
        if verb in ("short", "swap"):
            yield f"look {name}"
        if car.pins[name].inner not in car.bus_nodes:
            yield f"measure volts {name} to BAT-"


def _passive(text: str, car: Car) -> Check | None:
    try:
        what = parse_observation(text, car)
    except EditProblem:
        return None
    minded = cautions.of(what, car)
    if cautions.harm(what, car) or cautions.AIRBAG in minded:
        return None
    return Check((what.text,), PREPARE_MINUTES + what.labor_s / 60, minded, passive=True)


def _plugs_to_open(car: Car, causes: Sequence[PossibleCause]) -> list[str]:
    """Connectors with a pin under suspicion, to be taken off and looked into; none of the airbag module's."""
    names = dict.fromkeys(
        car.pins[edit.split()[1]].connector
        for one in causes
        for edit in one.edits
        if edit.split()[0] in ("open", "corrode") and edit.split()[1] in car.pins
    )
    return [name for name in names if car.connectors[name].kind != "dlc" and not _is_airbag(name, car)]


def _plugs_to_take_off(car: Car, causes: Sequence[PossibleCause]) -> list[str]:
    """In-line connectors on a bus, and those of modules that may disturb one; not the airbag module's."""
    edits = dict.fromkeys(edit for one in causes for edit in one.edits)
    inside = {edit.split()[1].partition(".")[0] for edit in edits if edit.split()[0] in INSIDE_VERBS}
    names = [name for name in car.connectors if _carries_bus(name, car) and not _is_airbag(name, car)]
    return [
        name
        for name in names
        if car.connectors[name].kind == "inline" or car.connectors[name].owner in inside
    ]


def _is_airbag(connector: str, car: Car) -> bool:
    module = car.built.modules.get(car.connectors[connector].owner)
    return module is not None and (module.role or car.connectors[connector].owner) == "SRS"


def _active(car: Car, opened: Sequence[str], taken_off: Sequence[str]) -> Iterator[Check]:
    operated = {switch.operated_by for switch in car.built.switches.values()}
    press = "press start with brake" if "brake" in operated else "press start"
    start = [press] if "button" in operated else ["key run"] if "key_run" in operated else []
    plans = [["scan"], [*start, "wait 5 s", "scan"]]
    if {"DLC.6", "DLC.14"} <= set(car.pins):
        plans.append(["disconnect battery", "wait 60 s", "measure ohms DLC.6 to DLC.14", "reconnect battery"])
    plans += [[f"unplug {name}", "wait 5 s", "scan", f"plug {name}"] for name in taken_off]
    plans += [[f"unplug {name}", f"look {name}", f"plug {name}"] for name in opened]
    for plan in plans:
        minded = tuple(caution for text in plan for caution in _cautions(text, car))
        yield Check(tuple(plan), sum(_minutes(text, car) for text in plan), minded)


def _carries_bus(name: str, car: Car) -> bool:
    data = car.bus_nodes
    return any(pin.inner in data for pin in car.connectors[name].pins)


def _cautions(text: str, car: Car) -> tuple[str, ...]:
    if text == "disconnect battery":
        return (cautions.BATTERY_CLAMP,)
    if text.split()[0] in OBSERVATION_VERBS:
        return cautions.of(parse_observation(text, car), car)
    return (cautions.BREAKOUT,) if text.startswith("unplug") else ()


def _minutes(text: str, car: Car) -> float:
    verb = text.split()[0]
    if verb in OBSERVATION_VERBS:
        return PREPARE_MINUTES + parse_observation(text, car).labor_s / 60
    return MINUTES[verb]


# -- suspects through checks ---------------------------------------------------------------------------------


def _states(found: SearchResult, car: Car) -> list[PossibleCause]:
    """The likeliest suspects, those that were equal by structure so far one by one."""
    every = [
        PossibleCause(edits, (), odds(edits, car), final_state=one.final_state)
        for one in found.causes
        for edits in (one.edits, *one.alike)
    ]
    return sorted(every, key=lambda one: (-one.odds, one.edits))[:MOST_CAUSES]


_Seen = dict[str, str | float]


def _shown_in_final_state(
    found: SearchResult,
    states: Sequence[PossibleCause],
    checks: Sequence[Check],
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> list[list[_Seen]]:
    """What checks that change nothing show under each suspect."""
    texts = tuple(text for check in checks for text in check.actions)
    looks = {k: (found.trial(one), one.final_state, texts) for k, one in enumerate(states) if texts}
    keys = {looked_key(trial, texts): k for k, (trial, _, _) in looks.items()}
    readings: dict[int, list[Shown]] = {}
    progress(0, len(looks))
    for key, text in workshop.recalled(looked_text, {key: looks[k] for key, k in keys.items()}, stop=stop):
        readings[keys[key]] = [(words, value) for words, value in json.loads(text)]
        progress(len(readings), len(looks))
    return told_by(checks, [readings[k] for k in looks])


def told_by(checks: Sequence[Check], readings: Sequence[Sequence[Shown]]) -> list[list[_Seen]]:
    """Check by check, what its observations bring to light in each row of readings, thing by thing."""
    found: list[list[_Seen]] = []
    at = 0
    for check in checks:
        end = at + len(check.actions)
        found.append([_noted(check, row[at:end]) for row in readings])
        at = end
    return found


def _noted(check: Check, readings: Sequence[Shown]) -> _Seen:
    told = enumerate(zip(check.actions, readings, strict=True), start=1)
    return {f"{text} ({place})": words if value is None else value for place, (text, (words, value)) in told}


def _shown_in_runs(
    found: SearchResult,
    states: Sequence[PossibleCause],
    checks: Sequence[Check],
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> list[list[_Seen]]:
    """What each check that changes the car shows under each suspect, in a run of its own."""
    trials = [found.trial(one, check.actions) for check in checks for one in states]
    accounts = iter(workshop.run(trials, progress=progress, stop=stop))
    return [[brought(next(accounts).sights[-len(check.actions) :]) for _ in states] for check in checks]


def brought(sights: Sequence[Sight]) -> _Seen:
    """What actions brought to light, thing by thing, in the driver's seat as well."""
    parts: _Seen = {}
    for place, sight in enumerate(sights):
        seat = {**sight.seat(), "starter": "turned" if sight.cranked else "did not turn"}
        parts.update({f"{what} ({place + 1})": value for what, value in {**seat, **sight.found()}.items()})
    return parts


def outcomes_alike(shown: Sequence[dict[str, str | float]]) -> tuple[int, ...]:
    """What each suspect shows, as a number: the first suspect that looks the same, for each."""
    firsts: list[int] = []
    found = []
    for k, seen in enumerate(shown):
        same = next((first for first in firsts if look_alike(shown[first], seen)), k)
        if same == k:
            firsts.append(k)
        found.append(same)
    return tuple(found)


def _ranked(
    problem: Sequencing,
    test: Test,
    checks: Sequence[Check],
    shown: Sequence[Sequence[_Seen]],
    states: Sequence[PossibleCause],
) -> Ranked:
    place = int(test.name)
    groups = problem.split(test, problem.all_states)
    total = problem.weight(problem.all_states)
    firsts = [shown[place][min(group)] for group in groups]
    outcomes = tuple(
        CheckOutcome(
            _words(first, firsts),
            problem.weight(group) / total,
            tuple(states[k].title for k in sorted(group)),
        )
        for first, group in zip(firsts, groups, strict=True)
    )
    by_share = tuple(sorted(outcomes, key=lambda one: -one.share))
    return Ranked(checks[place], problem.gain_bits(test, problem.all_states), None, by_share)


def _thought_through(one: Ranked, problem: Sequencing, test: Test) -> Ranked:
    minutes = cost_after(problem, problem.all_states, test)
    return Ranked(one.check, one.bits, minutes, one.outcomes)


def _words(seen: _Seen, others: Sequence[_Seen]) -> str:
    """What is particular about one outcome: everything in which it differs from any other."""
    things = dict.fromkeys(what for other in others for what in other)
    telling = [what for what in things if any(other.get(what) != seen.get(what) for other in others)]
    return "; ".join(f"{_plain(what)}: {_value(seen.get(what))}" for what in telling)


def _plain(what: str) -> str:
    return what.rpartition(" (")[0]


def _value(value: str | float | None) -> str:
    return "nothing" if value is None else f"{value:.4g}" if isinstance(value, float) else value
