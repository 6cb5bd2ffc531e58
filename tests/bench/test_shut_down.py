"""A module that goes or stays offline while a condition holds: at both fidelities, with its reasons."""

from __future__ import annotations

import random

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_silent
from sim.bench.tester import Report
from sim.catalogue import find_car, shipped_cars
from sim.vehicle.edits_shut_down import conditions_for
from sim.vehicle.own_codes import base_code, own_codes
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text

DRIVE = ["press start", "wait 5 s", "scan"]


def _lived(
    theory: str, log: list[str], *given: str, car: str = "six-modules", depth: str = "stream"
) -> Bench:
    bench = Bench(find_car(car), given=(f"theory {theory}", *given), fidelity=depth)  # type: ignore[arg-type]
    for text in log:
        bench.do(text)
    return bench


def _report(bench: Bench) -> Report:
    assert bench.last_report is not None
    return bench.last_report


@pytest.mark.parametrize("depth", ["stream", "frame"])
def test_it_is_offline_while_another_module_sets_the_code(depth: str) -> None:
    """The TCM itself misses no module: the ABS does not hear the ECM, says so, and the TCM goes."""
    bench = _lived("TCM shuts down when code U0100 in ABS", DRIVE, "pull F1", depth=depth)
    assert ("ECM", "TCM") == _report(bench).silent
    bench.do("fit F1")
    bench.do("wait 5 s")
    bench.do("scan")
    assert () == _report(bench).silent


def test_without_the_code_it_is_as_online_as_ever() -> None:
    """A theory whose condition never holds leaves no trace."""
    assert () == _report(_lived("TCM shuts down when code U0100 in ABS", DRIVE)).silent


@pytest.mark.parametrize("depth", ["stream", "frame"])
def test_it_is_offline_while_a_message_is_missing(depth: str) -> None:
    """Away with the ECM's supply the cluster goes, too; unlike one that waits, it goes later as well."""
    theory = "CLUSTER shuts down when no message from ECM"
    assert ("ECM", "CLUSTER") == _report(_lived(theory, DRIVE, "pull F1", depth=depth)).silent
    later = _lived(theory, [*DRIVE, "pull F1", "wait 5 s", "scan"], depth=depth)
    assert ("ECM", "CLUSTER") == _report(later).silent
    waits = _lived("CLUSTER waits for ECM", [*DRIVE, "pull F1", "wait 5 s", "scan"], depth=depth)
    assert ("ECM",) == _report(waits).silent


def test_a_dead_line_keeps_it_offline_and_several_together_do_so_together() -> None:
    """`and` needs both, `or` one; a line that is dead is one that the module senses."""
    log = ["unplug ECM.C1", *DRIVE]
    dead = "line IGN dead"
    for words, silent in ((dead, True), (f"{dead} and mode crank", False), (f"mode crank or {dead}", True)):
        bench = _lived(f"TCM shuts down when {words}", ["pull F9", *DRIVE])
        assert silent == ("TCM" in _report(bench).silent), words
    both = "code U0100 in ABS and no message from ECM"
    assert ("ECM", "TCM") == _report(_lived(f"TCM shuts down when {both}", log)).silent


def test_a_code_in_whichever_module_counts() -> None:
    """Without a module the code counts in any that can set it, in the module itself as well."""
    bench = _lived("TCM shuts down when code U0100", DRIVE, "pull F1")
    assert "TCM" in _report(bench).silent
    own = _lived("AIRBAG shuts down when code U0155", DRIVE, "pull F5")
    assert "AIRBAG" in _report(own).silent


@pytest.mark.parametrize("depth", ["stream", "frame"])
def test_a_stored_code_keeps_it_offline_until_it_is_cleared(depth: str) -> None:
    """With the fuse back in the test passes and the code is history: only a clear brings the module back."""
    repaired = [*DRIVE, "fit F1", "wait 5 s", "scan"]
    bench = _lived("TCM shuts down when stored code U0100 in ABS", repaired, "pull F1", depth=depth)
    assert ("TCM",) == _report(bench).silent
    told = "\n".join(why_silent(bench, "TCM").lines())
    assert "pull F1" in told
    assert "suppose that TCM shuts down when stored code U0100 in ABS" in told
    for text in ("clear", "wait 5 s", "scan"):
        bench.do(text)
    assert () == _report(bench).silent


def test_a_stored_code_of_its_own_or_in_whichever_module_counts() -> None:
    """Without a module the stored code counts in the module itself, and outlives a battery off."""
    repaired = [*DRIVE, "fit F5", "disconnect battery", "reconnect battery", *DRIVE]
    for words, silent in (("stored code U0155", ("AIRBAG",)), ("code U0155", ())):
        assert silent == _report(_lived(f"AIRBAG shuts down when {words}", repaired, "pull F5")).silent


def test_why_it_does_not_answer_leads_to_the_fault_and_to_the_theory() -> None:
    """The chain from the silent module ends at the fuse that was pulled and at what was supposed."""
    bench = _lived("TCM shuts down when code U0100 in ABS", DRIVE, "pull F1")
    told = "\n".join(why_silent(bench, "TCM").lines())
    assert "shuts down" in told
    assert "pull F1" in told
    assert "suppose that TCM shuts down when code U0100 in ABS" in told


def test_shut_down_it_still_falls_asleep() -> None:
    """With the ignition off it has no reason to be awake; it is no drain."""
    bench = _lived("TCM shuts down when line IGN dead", [*DRIVE, "press start", "wait 60 s"])
    assert "asleep" == bench.live.modules["TCM"].state


@pytest.mark.parametrize(
    ("theory", "why"),
    [
        ("TCM shuts down when code U0999 in ABS", "ABS sets no code U0999"),
        ("TCM shuts down when stored code U0999 in ABS", "ABS sets no code U0999"),
        ("TCM shuts down when code U0100 in ABX", "did you mean 'ABS'"),
        ("TCM shuts down when no message from TCM", "cannot miss its own messages"),
        ("TCM shuts down when line IGM dead", "did you mean 'IGN'"),
        ("TCM shuts down when it rains", "'it rains' is no condition: write 'code P0562 in ECM'"),
        ("TCN shuts down when mode crank", "did you mean 'TCM'"),
    ],
)
def test_what_no_module_could_know_is_refused(theory: str, why: str) -> None:
    """One clear sentence with the nearest right name."""
    with pytest.raises(EditProblem, match=why):
        Bench(find_car("six-modules"), given=(f"theory {theory}",))


def test_a_file_says_it_too_and_is_refused_a_code_that_the_module_never_sets() -> None:
    """`shuts_down_when` in a vehicle file is the same rule; its facts are checked like others."""
    text = shipped_cars()["six-modules"].read_text(encoding="utf-8")
    there = "TCM: {hears: [ECM, ABS], "
    held = text.replace(there, f"{there}shuts_down_when: {{lost: ECM}}, ")
    bench = Bench(car_from_text(held), given=("pull F1",))
    for one in DRIVE:
        bench.do(one)
    assert ("ECM", "TCM") == _report(bench).silent
    with pytest.raises(Problem, match="module 'TCM' sets no code P0999"):
        car_from_text(text.replace(there, f"{there}shuts_down_when: {{code: P0999}}, "))


@pytest.mark.parametrize("name", sorted(shipped_cars()))
def test_the_codes_that_a_module_can_set_are_those_that_it_declares(name: str) -> None:
    """What the description says of a module's codes is what its fault memory knows in a running car."""
    bench = Bench(find_car(name))
    for module, one in bench.live.modules.items():
        declared = {base_code(entry.code) for entry in one.memory.dtcs}
        told = set(own_codes(bench.car.built, module)) - {"P0630", "U3002"}  # of the two one, by its engine
        assert told == declared - {"P0630", "U3002"}


@pytest.mark.parametrize("seed", range(4))
def test_any_condition_gives_the_same_at_both_fidelities(seed: int) -> None:
    """A condition and a fault drawn by chance: same states and same codes, frame by frame or as streams."""
    dice = random.Random(seed)
    car = find_car("teaching-car")
    name = dice.choice(list(car.built.modules))
    theory = f"{name} shuts down when {dice.choice(list(conditions_for(car, name)))}"
    given = f"unplug {dice.choice([one for one in car.built.modules if one != name])}.C1"
    log = ["key run", "key crank", "wait 8 s", "scan", "key off", "wait 9 s", "scan"]
    seen = []
    for depth in ("stream", "frame"):
        bench = _lived(theory, log, given, car="teaching-car", depth=depth)
        states = {one: module.state for one, module in bench.live.modules.items()}
        codes = [(one.module, tuple((c.code, c.status) for c in one.codes)) for one in _report(bench).modules]
        seen.append((states, codes))
    assert seen[0] == seen[1], theory
