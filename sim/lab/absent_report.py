"""Which codes matter, told: the absent modules with who misses them, ties, the codes left over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from sim.lab.absent import AbsentModules, absent_modules
from sim.lab.case import CodeSeen, Evidence
from sim.lab.claims import ASKED, Claims, claims_of, shared_parts
from sim.lab.report import Rows, Section
from sim.vehicle.car import Car
from sim.vehicle.codes import CodeError, code_description

MOST_NAMED = 8  # witnesses or codes in one line


def codes_that_matter(car: Car, report: Evidence) -> list[Section]:
    """The answer for one report of one car, the most important first."""
    claims = claims_of(car)
    answer = absent_modules(claims, report)
    sections = [Section("Absent", tuple(_first(car, claims, report, answer)))]
    if answer.best.unexplained:
        sections.append(Section("Codes left over", tuple(_left_over(answer.best.unexplained))))
    doubts = tuple(_doubts(answer, report, claims.inline))
    return [*sections, Section("Keep in mind", doubts)] if doubts else sections


def _first(car: Car, claims: Claims, report: Evidence, answer: AbsentModules) -> Iterator[str | Rows]:
    best = answer.best
    yield answer_words(answer, claims.inline)
    if best.modules:
        rows = tuple(_row(name, claims, report) for name in best.modules)
        yield Rows(("absent", "asked by the tester", "missed by"), rows)
    for one in answer.ties[1:]:
        named = _named([_in_words(name, claims.inline) for name in one.modules]) or "no module is absent"
        yield f"Nearly as likely ({one.odds:.0%} as much): {named}."
    if parts := shared_parts(car, best.modules, report.answers):
        yield f"In common, with no module that answers: {_some(parts)}. Check there first."


def answer_words(answer: AbsentModules, inline: Mapping[str, str] | None = None) -> str:
    """The answer in a sentence. inline: titles of in-line connectors, which are named with them."""
    best = answer.best
    codes = len(best.explained) + len(best.unexplained)
    if not best.modules:
        return f"No absent module explains {'this report' if not codes else f'any of the {codes} codes'}."
    verb = "is" if len(best.modules) == 1 else "are"
    sorts = [name in (inline or ()) for name in best.modules]
    how = "apart" if all(sorts) else "absent or apart" if any(sorts) else "absent"
    named = _named([_in_words(name, inline or {}) for name in best.modules])
    explains = f": that explains {len(best.explained)} of {codes} codes" if codes else ""
    return f"{named} {verb} {how}{explains}."


def _in_words(name: str, inline: Mapping[str, str]) -> str:
    """A module by its name, an in-line connector as one, with its title."""
    if name not in inline:
        return name
    return f"connector {name}{f' ({inline[name]})' if inline[name] else ''}"


def _row(name: str, claims: Claims, report: Evidence) -> tuple[str, ...]:
    codes = [one for one in report.codes if name in claims.explaining(one)]
    asked = "no answer" if name in report.silent else "answers" if name in report.answers else "not asked"
    if not any(one.witness == ASKED and one.missed == name for one in claims.heard):
        asked = "cannot be asked"
    return (
        _in_words(name, claims.inline),
        asked,
        _some([f"{one.module} {one.code}" for one in codes]) or "no module in this report",
    )


def _left_over(codes: Sequence[CodeSeen]) -> Iterator[str | Rows]:
    """The codes with another reason, those of one number together."""
    counted = Counter(one.code for one in codes)
    rows = tuple(
        (
            code,
            _text_of(code),
            _some([f"{one.module} {one.state}".strip() for one in codes if one.code == code]),
        )
        for code in counted
    )
    yield "These have another cause, or are history codes: absent modules do not explain them."
    yield Rows(("code", "text", "in"), rows)


def _doubts(answer: AbsentModules, report: Evidence, inline: Mapping[str, str]) -> Iterator[str | Rows]:
    if report.codes and not report.silent:
        yield "The report names no module that does not answer. Scan every module for a more certain answer."
    if answer.unseen:
        pairs = [f"{witness} about {missed}" for witness, missed in answer.unseen]
        yield f"Should have a code and have none in this report: {_some(pairs)}."
    if absent := [name for name in answer.hidden if name not in inline]:
        yield f"May be absent as well, with no sign of it in this report: {_some(absent)}."
    if apart := [_in_words(name, inline) for name in answer.hidden if name in inline]:
        yield f"May be apart as well, with no sign of it in this report: {_some(apart)}."
    if not answer.complete:
        yield "Not all sets of modules were compared: there are too many."


def _text_of(code: str) -> str:
    try:
        return code_description(code)
    except CodeError:
        return ""


def _named(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def _some(words: Sequence[str]) -> str:
    more = len(words) - MOST_NAMED
    return ", ".join(words[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
