"""Possible causes and the next best check, to print.

Path("suspects.html").write_text(search_page(found, advice, left_share=0.0))
"""

from __future__ import annotations

from sim.lab.next_check import Advice
from sim.lab.odds import ODDS, THEORY_ODDS
from sim.lab.report import Rows, Section, as_html
from sim.lab.search_result import SearchResult
from sim.vehicle.fault_words import fault_set_words


def found_words(found: SearchResult, left_share: float) -> str:
    """How many causes are left, how many sets were tried, and for how many there was no time.

    `left_share`: the share of prior odds that the sets have that were not tried.
    """
    count, left = len(found.causes), len(found.waiting)
    who = (
        "No possible cause"
        if not count
        else "One possible cause"
        if count == 1
        else f"{count} possible causes"
    )
    if not left:
        return f"{who}. All {found.candidates} were tried."
    tried = f"{found.candidates - left} of {found.candidates} were tried"
    return f"{who}. {tried}; the others have {left_share:.1%} of the odds."


def no_cause_words(found: SearchResult, how_three: str = "") -> str:
    """Which step no cause shows, and what could be the reason. `how_three`: how to look for three faults."""
    number = next((k for k, left in enumerate(found.remaining, start=1) if not left), 0)
    done = ", ".join(found.steps[number - 1].do)
    step = f"No possible cause left before it shows what step {number} saw ({done}). " if number else ""
    three = f" {how_three}" if how_three else ""
    return (
        f"{step}It may be another kind of fault or one of another size, more faults at once, a car built "
        "differently from its diagram (include theories in the search), or something observed "
        f"wrongly.{three}"
    )


def odds_words() -> str:
    """The prior odds and where they come from."""
    kinds = ", ".join(f"{kind} {share:.2%}" for kind, share in ODDS.items())
    theories = ", ".join(f"{sort} {share:.2%}" for sort, share in THEORY_ODDS.items())
    return f"Odds in the shop (common practice, not statistics): {kinds}; each theory: {theories}."


def search_page(found: SearchResult, advice: Advice | None, left_share: float) -> str:
    """One HTML page: what was seen, the possible causes, and the checks that tell them apart."""
    steps = tuple(
        (str(number), ", ".join(step.do), _seen(step.seen.model_dump(exclude_defaults=True)), str(left))
        for number, (step, left) in enumerate(zip(found.steps, found.remaining, strict=False), start=1)
    )
    car = found.car
    causes = tuple(
        (one.words(car), f"{one.share:.1%}", "; ".join(fault_set_words(edits, car) for edits in one.alike))
        for one in found.causes
    )
    sections = [
        Section("Done and seen", (Rows(("", "done", "seen", "sets left"), steps),)),
        Section(
            "Possible causes",
            (
                found_words(found, left_share),
                odds_words(),
                Rows(("possible cause", "share of the odds", "alike by the wiring"), causes),
            ),
        ),
    ]
    if advice is not None:
        checks = tuple(
            (
                one.check.title,
                f"{one.check.minutes:g}",
                f"{one.bits:.2f}",
                "; ".join(f"{outcome.shows} ({outcome.share:.0%})" for outcome in one.outcomes),
                "; ".join(one.check.cautions),
            )
            for one in advice.ranked
        )
        table = Rows(("check", "min", "bits", "may show", "cautions"), checks)
        sections.append(Section("What to check next", (advice.words, advice.reason, table)))
    return as_html("Possible causes", sections)


def _seen(seen: dict[str, object]) -> str:
    return "; ".join(f"{what}: {_listed(value)}" for what, value in seen.items())


def _listed(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, tuple | list) else str(value)
