"""A minibus rebuilt with parts not fitted: a flood of codes by itself, and the few parts that explain it."""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.lab.absent import absent_modules
from sim.lab.absent_report import answer_words, codes_that_matter
from sim.lab.case import CodeSeen, Evidence
from sim.lab.claims import claims_of
from sim.vehicle.reading import read_car

MINIBUS = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")
# bumpers, steering wheel, both front seats, roof, rear doors; and three of the converter's modules
NOT_FITTED = ("X5", "X14", "X11", "X10", "X12", "X7", "X13", "TRAILER", "STEP", "SIGN")


def rebuilt(*parts: str) -> Bench:
    bench = Bench(MINIBUS, [f"unplug {part}" for part in parts], fidelity="stream")
    bench.do_all(["wait 12 s", "press start with brake", "wait 30 s", "scan"])
    return bench


def report_of(bench: Bench, says_who_answers: bool = True) -> Evidence:
    report = bench.last_report
    assert report is not None
    codes = tuple(CodeSeen(module, code, "present") for module, code in sorted(report.codes))
    if not says_who_answers:
        return Evidence(codes=codes)
    answers = tuple(one.module for one in report.modules if one.answers)
    return Evidence(answers=answers, silent=report.silent, codes=codes)


def test_ten_parts_not_fitted_make_more_than_fifty_codes_and_the_report_names_the_ten() -> None:
    """All codes come by physics, each ends at a part that is not fitted, and those parts explain them all."""
    bench = rebuilt(*NOT_FITTED)
    assert "running" == bench.live.world.engine.value
    claims = claims_of(MINIBUS)
    for says_who_answers in (True, False):
        report = report_of(bench, says_who_answers)
        assert 50 <= len(report.codes)
        found = absent_modules(claims, report)
        assert (set(NOT_FITTED), ()) == (set(found.best.modules), found.best.unexplained)
        assert found.complete
        assert "connector X5 (front bumper)" in answer_words(found, claims.inline)
    given = {f"given: unplug {part}" for part in (*NOT_FITTED, "TRAILER.C1", "STEP.C1", "SIGN.C1")}
    for module, code in [("AIRBAG", "B0001-15"), ("PARK-AID", "B1A80-15"), ("ECM", "U0235-87")]:
        assert set(why_code(bench, module, code).roots()) <= given
    (absent, *_) = codes_that_matter(MINIBUS, report_of(bench))
    assert "cannot be asked" in str(absent)  # a bumper answers no tester


@pytest.mark.parametrize(
    ("parts", "named"),
    [
        (("X10",), {"X10"}),  # the seat's module, its airbag, belt, buckle, and the bus behind it
        (("SEAT",), {"SEAT"}),  # the module alone: its connector would have taken more with it
        (("fog_lamp_left",), {"fog_lamp_left"}),
        (("X5",), {"X5"}),
        (("X14", "DISTANCE", "RAIN", "sun_sensor"), {"X14", "DISTANCE", "RAIN", "sun_sensor"}),
    ],
)
def test_the_smallest_explanation_is_named(parts: tuple[str, ...], named: set[str]) -> None:
    """One connector for all that hangs on it, one part for one code, a module for its own silence."""
    found = absent_modules(claims_of(MINIBUS), report_of(rebuilt(*parts)))
    assert (named, ()) == (set(found.best.modules), found.best.unexplained)
