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

Checks that change the car (a plug off, the battery off) are thought of only where looking and measuring
cannot tell the suspects apart.

Not modelled: trim to be taken off, ways to walk, checks that mislead. Readings are taken one after another in
one run of each suspect.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.bench.observations import OBSERVATION_VERBS, parse_observation
from sim.instruments import cautions
from sim.lab.case import look_alike
from sim.lab.run import Sight, Trial
from sim.lab.sequential import Problem as Sequencing
from sim.lab.sequential import Test, cost_after
from sim.lab.suspects import Suspect, Suspects, odds
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text

# Minutes in the shop by the first word of an action: common practice, round figures.
MINUTES = {"scan": 3.0, "press": 0.2, "key": 0.1, "wait": 0.1, "unplug": 4.0, "plug": 2.0, "disconnect": 3.0,
           "reconnect": 2.0}  # fmt: skip
PREPARE_MINUTES = 1.0  # to find the place in the diagram and get there; common practice
MOST_SUSPECTS = 40  # the likeliest are compared; the others weigh next to nothing
MOST_ROLLOUTS = 12  # checks with the most information per minute that are thought one step further
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
class Outcome:
    """One thing that a check may show, how likely, and which suspects it would leave."""

    shows: str
    share: float
    leaves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ranked:
    """A check and its worth. `minutes_to_end`: expected, this check first; None if not thought through."""

    check: Check
    bits: float
    minutes_to_end: float | None
    outcomes: tuple[Outcome, ...]

    @property
    def bits_per_minute(self) -> float:
        """Expected information per shop minute."""
        return self.bits / self.check.minutes

    @property
    def halves(self) -> bool:
        """Does it cut the suspects in two halves of nearly equal weight?"""
        return len(self.outcomes) == 2 and abs(self.outcomes[0].share - 0.5) <= HALF


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
        if self.best is None:
            return "No check that could be thought of here tells these suspects apart."
        how = "halves the suspects" if self.best.halves else f"is worth {self.best.bits:.2f} bits"
        return f"{self.best.check.title}: {how} in {self.best.check.minutes:g} min."


def next_check(
    found: Suspects,
    *,
    checks: Sequence[Check] | None = None,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Advice:
    """Rank checks by how soon they would part the suspects; by default those that the suspects call for."""
    car = car_from_text(found.vehicle)
    states = _states(found, car)
    if len(states) < 2:
        return Advice((), len(states), len(states))
    listed = list(possible_checks(car, states) if checks is None else checks)
    if checks is None:  # what changes nothing about the car comes first, and is run in one go
        passive = [check for check in listed if check.passive]
        shown = _shown(found, states, passive, workshop, progress, stop)
        if _all_apart(shown, len(states)):
            listed = passive
        else:
            active = [check for check in listed if not check.passive]
            shown += _shown(found, states, active, workshop, progress, stop)
            listed = [*passive, *active]
    else:
        shown = _shown(found, states, listed, workshop, progress, stop)
    tests = [Test(str(k), check.minutes, outcomes_alike(shown[k])) for k, check in enumerate(listed)]
    problem = Sequencing(tuple(one.odds for one in states), tuple(tests))
    ranked = [_ranked(problem, test, listed, shown, states) for test in problem.useful(problem.all_states)]
    ranked.sort(key=lambda one: -one.bits_per_minute)
    ahead = [_thought_through(one, problem, tests[listed.index(one.check)]) for one in ranked[:MOST_ROLLOUTS]]
    ahead.sort(key=lambda one: one.minutes_to_end or 0.0)
    every = sum(1 + len(one.alike) for one in found.suspects)
    return Advice((*ahead, *ranked[MOST_ROLLOUTS:]), len(states), every)


# -- checks ------------------------------------------------------------------------------------------------


def possible_checks(car: Car, suspects: Sequence[Suspect]) -> tuple[Check, ...]:
    """What a technician could do next to tell these suspects apart, nothing that spoils or endangers."""
    sentences = dict.fromkeys(text for one in suspects for edit in one.edits for text in _looks(edit, car))
    passive = [check for text in sentences if (check := _passive(text, car)) is not None]
    return (*passive, *_active(car, _plugs_to_open(car, suspects)))


def _looks(edit: str, car: Car) -> Iterator[str]:
    """Where one would look for this fault."""
    verb, name = edit.split()[:2]
    if verb in ("pull", "blow", "fit"):
        yield f"look {name}"
        if name in car.built.fuses:
            yield f"measure volts {name}.2 to BAT-"
    elif verb == "unplug":
        yield f"look {name}"
    elif name in car.built.grounds:
        yield f"look {name}"
        yield f"measure volts {name} to BAT-"
    elif name in car.pins and car.pins[name].inner not in car.bus_nodes:
        yield f"measure volts {name} to BAT-"


def _passive(text: str, car: Car) -> Check | None:
    try:
        what = parse_observation(text, car)
    except EditProblem:
        return None
    minded = cautions.of(what, car)
    if cautions.harm(what, car) or cautions.AIRBAG in minded:
        return None
    return Check((what.text,), PREPARE_MINUTES + what.shop_s / 60, minded, passive=True)


def _plugs_to_open(car: Car, suspects: Sequence[Suspect]) -> list[str]:
    """Connectors with a pin under suspicion, to be taken off and looked into; none of the airbag module's."""
    names = dict.fromkeys(
        car.pins[edit.split()[1]].connector
        for one in suspects
        for edit in one.edits
        if edit.startswith("open ") and edit.split()[1] in car.pins
    )
    return [name for name in names if car.connectors[name].kind != "dlc" and not _is_airbag(name, car)]


def _is_airbag(connector: str, car: Car) -> bool:
    module = car.built.modules.get(car.connectors[connector].owner)
    return module is not None and (module.role or car.connectors[connector].owner) == "SRS"


def _active(car: Car, plugs: Sequence[str]) -> Iterator[Check]:
    operated = {switch.operated_by for switch in car.built.switches.values()}
    start = ["press start"] if "button" in operated else ["key run"] if "key_run" in operated else []
    if start and "brake" in operated and start == ["press start"]:
        start = ["press start with brake"]
    plans = [["scan"], [*start, "wait 5 s", "scan"]]
    if {"DLC.6", "DLC.14"} <= set(car.pins):
        plans.append(["disconnect battery", "wait 60 s", "measure ohms DLC.6 to DLC.14", "reconnect battery"])
    inline = [
        name for name, plug in car.connectors.items() if plug.kind == "inline" and _carries_bus(name, car)
    ]
    plans += [[f"unplug {name}", "wait 5 s", "scan", f"plug {name}"] for name in inline]
    plans += [[f"unplug {name}", f"look {name}", f"plug {name}"] for name in plugs]
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
        return PREPARE_MINUTES + parse_observation(text, car).shop_s / 60
    return MINUTES[verb]


# -- suspects through checks ---------------------------------------------------------------------------------


def _states(found: Suspects, car: Car) -> list[Suspect]:
    """The likeliest suspects, those that were equal by structure so far one by one."""
    every = [edits for one in found.suspects for edits in (one.edits, *one.alike)]
    likeliest = sorted(every, key=lambda edits: (-odds(edits, car), edits))[:MOST_SUSPECTS]
    return [Suspect(edits, (), odds(edits, car)) for edits in likeliest]


_Seen = dict[str, str | float]


def _shown(
    found: Suspects,
    states: Sequence[Suspect],
    checks: Sequence[Check],
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> list[list[_Seen]]:
    """What each check shows under each suspect; all that change nothing about the car share a run."""
    passive = [check for check in checks if check.passive]
    plans = [[check] for check in checks if not check.passive]
    if passive:
        plans.insert(0, passive)
    trials = [_trial(found, state, plan) for plan in plans for state in states]
    accounts = iter(workshop.run(trials, progress=progress, stop=stop))
    seen: dict[Check, list[_Seen]] = {check: [] for check in checks}
    for plan in plans:
        for _ in states:
            sights = list(next(accounts).sights)[-sum(len(check.actions) for check in plan) :]
            for check in plan:
                seen[check].append(shown_by([sights.pop(0) for _ in check.actions], check.passive))
    return [seen[check] for check in checks]


def _trial(found: Suspects, state: Suspect, plan: Sequence[Check]) -> Trial:
    return found.trial(state, [action for check in plan for action in check.actions])


def shown_by(sights: Sequence[Sight], passive: bool) -> _Seen:
    """What the actions of a check brought to light, thing by thing; of a passive check not the seat."""
    parts: _Seen = {}
    for place, sight in enumerate(sights):
        seat = {} if passive else {**sight.seat(), "starter": "turned" if sight.cranked else "did not turn"}
        parts.update({f"{what} ({place + 1})": value for what, value in {**seat, **sight.found()}.items()})
    return parts


def _all_apart(shown: Sequence[Sequence[_Seen]], states: int) -> bool:
    """Do these checks, all of them, tell every suspect from every other?"""
    return len(set(zip(*(outcomes_alike(one) for one in shown), strict=True))) == states


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
    states: Sequence[Suspect],
) -> Ranked:
    place = int(test.name)
    groups = problem.split(test, problem.all_states)
    total = problem.weight(problem.all_states)
    firsts = [shown[place][min(group)] for group in groups]
    outcomes = tuple(
        Outcome(
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
