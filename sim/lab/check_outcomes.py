"""What checks show under each possible cause: from the final state of its car, or from a run.

Looking and measuring change nothing, so what they show follows from the final state (`sim.lab.final_state`).
Checks that change the car (a plug off, the battery off) take a run of each cause, from whose end every check
goes on (`sim.lab.endings`).
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.lab.checks import Check
from sim.lab.compare import DOUBTFUL, look_alike, reliable, turned_words
from sim.lab.endings import SEEN, endings_key, endings_text
from sim.lab.final_state import READINGS, looked_key, looked_text
from sim.lab.run import Shown
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.sight import Sight
from sim.lab.workshop import Progress, Stop, Workshop

Findings = dict[str, str | float]  # thing by thing, what a check brings to light


def shown_in_final_state(
    found: SearchResult,
    states: Sequence[PossibleCause],
    checks: Sequence[Check],
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> list[list[Findings]]:
    """What checks that change nothing show under each cause."""
    texts = tuple(text for check in checks for text in check.actions)
    looks = {k: (found.trial(one), one.final_state, texts) for k, one in enumerate(states) if texts}
    keys = {looked_key(trial, texts): k for k, (trial, _, _) in looks.items()}
    readings: dict[int, list[Shown]] = {}
    progress(0, len(looks))
    for key, text in workshop.recalled(looked_text, {key: looks[k] for key, k in keys.items()}, stop=stop):
        readings[keys[key]] = READINGS.validate_json(text)
        progress(len(readings), len(looks))
    return told_by(checks, [readings[k] for k in looks])


def told_by(checks: Sequence[Check], readings: Sequence[Sequence[Shown]]) -> list[list[Findings]]:
    """Check by check, what its observations bring to light in each row of readings, thing by thing."""
    found: list[list[Findings]] = []
    at = 0
    for check in checks:
        end = at + len(check.actions)
        found.append(reliable([_noted(check, row[at:end]) for row in readings]))
        at = end
    return found


def _noted(check: Check, readings: Sequence[Shown]) -> Findings:
    told = enumerate(zip(check.actions, readings, strict=True), start=1)
    return {
        f"{text} ({place})": DOUBTFUL if one.doubtful else one.words if one.value is None else one.value
        for place, (text, one) in told
    }


def shown_in_runs(
    found: SearchResult,
    states: Sequence[PossibleCause],
    checks: Sequence[Check],
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> list[list[Findings]]:
    """What each check that changes the car shows under each cause, at the end of its run."""
    lists = tuple(check.actions for check in checks)
    items = {k: (found.trial(one), lists) for k, one in enumerate(states)}
    keys = {endings_key(*item): k for k, item in items.items()}
    seen: dict[int, list[tuple[Sight, ...]]] = {}
    progress(0, len(items))
    made = workshop.recalled(endings_text, {key: items[k] for key, k in keys.items()}, stop=stop)
    for key, text in made if lists else ():
        seen[keys[key]] = SEEN.validate_json(text)
        progress(len(seen), len(items))
    return [reliable([brought(seen[k][at]) for k in items]) for at in range(len(lists))]


def brought(sights: Sequence[Sight]) -> Findings:
    """What actions brought to light, thing by thing, in the driver's seat as well."""
    return {
        f"{what} ({place})": value
        for place, sight in enumerate(sights, start=1)
        for what, value in parts_of(sight).items()
    }


def parts_of(sight: Sight) -> Findings:
    """Everything that could be seen after an action, thing by thing; a doubtful reading is `DOUBTFUL`."""
    return {**sight.seat(), "starter": turned_words(sight.cranked), **found_in(sight)}


def found_in(sight: Sight) -> Findings:
    """What an action itself brought to light, thing by thing; a doubtful reading is `DOUBTFUL`."""
    return dict.fromkeys(sight.found(), DOUBTFUL) if sight.doubtful else sight.found()


def outcomes_alike(shown: Sequence[dict[str, str | float]]) -> tuple[int, ...]:
    """What each cause shows, as the number of the first cause that shows the same."""
    firsts: list[int] = []
    found = []
    for k, seen in enumerate(shown):
        same = next((first for first in firsts if look_alike(shown[first], seen)), k)
        if same == k:
            firsts.append(k)
        found.append(same)
    return tuple(found)
