"""What a bench's log has shown so far, as the steps of a case: for the search and the next best check.

    steps = observed(vehicle, bench.log, given=bench.given)
    found = find_causes(vehicle, steps, workshop=workshop)

Every step is one action and everything that could be seen when it was over: the seat, what a scan listed,
what an instrument read.

A doubtful reading (a live circuit, a pulsed signal) is no evidence.

Not modeled: what a person overlooks; the display of a lamp or a scope where no reading is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sim.lab.case import CaseStep, Evidence
from sim.lab.compare import READABLE, READABLE_LEAST
from sim.lab.run import FLOATING, Trial, bench_of, sight_of
from sim.lab.sight import Sight

IGNITION = ("off", "accessory", "run", "crank", "dark")


def observed(
    vehicle: str,
    log: Sequence[str],
    *,
    given: Sequence[str] = (),
    seed: int = 0,
) -> tuple[CaseStep, ...]:
    """The steps of a log on a car with these given edits, which are not revealed.

    Actions that cannot be done are left out.
    """
    bench = bench_of(Trial(vehicle, tuple(given), tuple(log), seed))
    steps: list[CaseStep] = []
    for text in log:
        sight = sight_of(bench, text)
        if not sight.refused:
            steps.append(CaseStep(do=(sight.action,), seen=seen_of_sight(sight)))
    return tuple(steps)


def seen_of_sight(sight: Sight) -> Evidence:
    """Everything that a sight shows, as what was seen."""
    seen: dict[str, Any] = {
        "engine": sight.engine,
        "cranks": sight.cranked,
        "starts": sight.started,
        "cluster": sight.cluster,
        "lit": sight.lit,
        "dark": sight.dark,
    }
    if sight.ignition in IGNITION:
        seen["ignition"] = sight.ignition
    if sight.power is not None:
        seen |= {"tester_power": sight.power}
    if sight.power:
        codes = tuple(" ".join(code) for code in sight.codes)
        seen |= {"answers": sight.answering, "silent": sight.silent, "codes": codes, "no_other_codes": True}
    for word, what in (("done", "done"), ("refused", "denied"), ("no answer", "no_answer")):
        seen[what] = tuple(module for module, answer in sight.asked if answer == word)
    if sight.doubtful:
        return Evidence.model_validate(seen)  # no number to decide by
    if sight.reading is not None:
        within = max(READABLE_LEAST, READABLE * abs(sight.reading))
        seen |= {"reads": float(sight.reading), "within": within}
    elif sight.display == FLOATING:
        seen["reads"] = "floating"
    elif sight.display:
        seen["shows"] = sight.display
    return Evidence.model_validate(seen)
