"""The what-if grid on a car of six modules."""

import csv
import io
import json
from html import unescape
from itertools import product

import pytest

from sim.bench.bench import Bench
from sim.lab.grid import Choice, Grid, run_grid
from sim.lab.grid_report import grid_csv, grid_html, grid_json
from sim.lab.report import DISCLAIMER
from sim.lab.run import run_trial
from sim.lab.sight import Account
from sim.lab.workshop import Stopped, Workshop
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text

ACTIONS = ["wait 1 s", "press start", "wait 6 s", "scan", "measure volts F2.2 to BAT-"]
EDITS = ["unplug TCM", "pull F2", "open BCM.C1.1", "theory ECM waits for TCM"]


@pytest.fixture(scope="module")
def grid(six: str) -> Grid:
    with Workshop(workers=1) as workshop:
        return run_grid(six, EDITS, ACTIONS, workshop=workshop)


def causes_of(grid: Grid, title: str) -> str:
    return str(next(one.causes for one in grid.symptoms if one.title == title))


def test_every_row_is_what_a_bench_shows(grid: Grid, six: str) -> None:
    """Each combination shows what a bench with these edits shows."""
    car = car_from_text(six)
    for number, there in enumerate(product([False, True], repeat=4)):
        edits = [edit for edit, on in zip(EDITS, reversed(there), strict=True) if on]
        bench = Bench(car, edits)
        report = [bench.do(action).report for action in ACTIONS][3]
        assert report is not None
        silent = next(column for column in grid.columns if column.title == "ECM")
        assert ("silent" if "ECM" in report.silent else "answers") == grid.value(silent, number)
        assert tuple(edits) == grid.there(number)


def test_cause_sets_say_what_is_present_and_what_must_be_absent(grid: Grid) -> None:
    """A minimal cause set keeps its negative literals."""
    assert "unplug TCM or pull F2" == causes_of(grid, "TCM: silent")
    both = "(unplug TCM and theory ECM waits for TCM) or (pull F2 and theory ECM waits for TCM)"
    assert both == causes_of(grid, "ECM: silent")
    expected = (
        "(unplug TCM and not open BCM.C1.1 and not theory ECM waits for TCM) or "
        "(pull F2 and not open BCM.C1.1 and not theory ECM waits for TCM)"
    )
    assert expected == causes_of(grid, "ECM U0101-87: present")
    silent = next(one.causes for one in grid.symptoms if one.title == "ECM: silent")
    assert (("theory ECM waits for TCM",), ()) == (silent.necessary, silent.sufficient)


def test_what_hides_what(grid: Grid) -> None:
    """An edit that takes away another one's effect is named with the columns concerned."""
    full = {(one.hider, one.hidden, one.column.title) for one in grid.hidings if one.times == one.of}
    assert ("open BCM.C1.1", "unplug TCM", "CLUSTER U0101-87") in full
    assert ("unplug TCM", "pull F2", "TCM") in full
    assert not any(hider == "theory ECM waits for TCM" and what == "TCM" for hider, _, what in full)


def test_rows_that_look_the_same_are_named(grid: Grid) -> None:
    """Combinations that cannot be told apart are listed together."""
    assert [[(), ("theory ECM waits for TCM",)], [("open BCM.C1.1",), ("open BCM.C1.1", EDITS[3])]] == [
        [grid.there(number) for number in group] for group in grid.alike
    ]


def test_effects_of_numbers_are_the_differences_of_means(six: str, here: Workshop) -> None:
    """Effects on a reading are the differences of means over all combinations."""
    edits = ["corrode TCM.C1.1 2 ohm", "charge 40 %"]
    grid = run_grid(six, edits, ["wait 1 s", "measure volts F2.2 to BAT-"], workshop=here)
    column = next(column for column in grid.columns if column.what.startswith("measure"))
    none, corroded, weak, both = (float(str(v)) for v in grid.values(column))
    found = {one.names: one.size for one in grid.effects[column]}
    assert (weak + both) / 2 - (none + corroded) / 2 == pytest.approx(found[("charge 40 %",)])
    assert found[("charge 40 %",)] < -0.1
    assert (both - weak - corroded + none) / 2 == pytest.approx(found[tuple(edits)])


def test_a_choice_may_be_several_sentences_and_may_come_in_the_middle(six: str, here: Workshop) -> None:
    """A choice can have several edits, and can be made before any action of the list."""
    late = Choice("fuse back", ("fit F2",), before=3)
    actions = ["wait 1 s", "press start", "wait 6 s", "wait 4 s", "scan"]
    grid = run_grid(six, [late, "unplug ABS; unplug AIRBAG"], actions, given=["pull F2"], workshop=here)
    assert "fuse back" == causes_of(grid, "TCM: answers")
    assert "unplug ABS; unplug AIRBAG" == causes_of(grid, "AIRBAG: silent")
    assert "fuse back" == causes_of(grid, "ECM U0101-87: stored")


def test_combinations_that_cannot_be_are_left_out_of_account(six: str, here: Workshop) -> None:
    """An impossible combination is no evidence for or against a cause."""
    grid = run_grid(six, ["pull F2", "fit F2"], ["wait 1 s", "scan"], workshop=here)
    assert ["", "", "F2 is in and whole already", ""] == [account.impossible for account in grid.accounts]
    assert "pull F2 and not fit F2" == causes_of(grid, "TCM: silent")


def test_export_as_table_and_data(grid: Grid) -> None:
    """CSV and JSON hold every combination with its values, and JSON the disclaimer."""
    rows = list(csv.DictReader(io.StringIO(grid_csv(grid))))
    assert [str(k) for k in range(16)] == [row["row"] for row in rows]
    assert ("1", "0", "silent") == (rows[1]["unplug TCM"], rows[1]["pull F2"], rows[1]["TCM"])
    data = json.loads(grid_json(grid))
    assert (16, DISCLAIMER) == (len(data["rows"]), data["disclaimer"])
    place = data["columns"].index("TCM")
    assert "silent" == data["rows"][3]["values"][place]


def test_a_report_says_what_it_is_worth(grid: Grid) -> None:
    """A report holds the disclaimer, the symptoms and what hides what."""
    report = grid_html(grid)
    assert DISCLAIMER in unescape(report)
    assert "ECM: silent" in report
    assert "“unplug TCM” hides the effect of “pull F2” on" in report


def test_names_cannot_smuggle_anything_into_the_page(six: str, here: Workshop) -> None:
    """HTML in a name is shown as text."""
    hostile = Choice("<script>alert(1)</script>", ("pull F2",))
    page = grid_html(run_grid(six, [hostile], ["wait 1 s"], workshop=here))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


@pytest.mark.parametrize(
    ("edits", "actions", "sentence"),
    [
        (["pul F2"], ["scan"], "no edit begins with 'pul'; did you mean 'pull'?"),
        (["pull F2"], ["scann"], "no action begins with 'scann'; did you mean 'scan'?"),
        (["pull F2", "pull F2"], ["scan"], "two edits of the grid have the same name"),
        ([], ["scan"], r"a grid takes 1 to 10 edits \(here: 0\)"),
        ([f"pull F{k}" for k in range(1, 12)], ["scan"], r"a grid takes 1 to 10 edits \(here: 11\)"),
        (["pull F2"], [], "a grid needs at least one action"),
        ([Choice("late", ("pull F2",), 1)], ["scan"], "'late' comes before action 2 of 1"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(
    six: str, here: Workshop, edits: list[str | Choice], actions: list[str], sentence: str
) -> None:
    """A grid without actions, without edits or with too many raises one clear error."""
    with pytest.raises((Problem, EditProblem), match=sentence):
        run_grid(six, edits, actions, workshop=here)


def test_a_grid_can_be_watched_and_stopped(six: str) -> None:
    """Progress counts the runs, and a stop raises `Stopped`."""
    seen: list[int] = []

    def count(done: int, of: int) -> None:
        seen.append(done)

    with Workshop(workers=1, runner=run_trial) as shop, pytest.raises(Stopped):
        run_grid(six, EDITS, ACTIONS, workshop=shop, progress=count, stop=lambda: len(seen) > 5)
    assert [0, 1, 2, 3, 4, 5] == seen


def test_equal_accounts_give_equal_bytes(grid: Grid) -> None:
    """Two runs of one grid give the same CSV, JSON and HTML to the byte."""
    again = Grid(
        grid.choices, grid.actions, grid.given, tuple(Account.from_json(a.as_json()) for a in grid.accounts)
    )
    assert (grid_csv(grid), grid_json(grid), grid_html(grid)) == (
        grid_csv(again),
        grid_json(again),
        grid_html(again),
    )
