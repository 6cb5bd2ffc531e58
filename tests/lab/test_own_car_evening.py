"""A technician's evening with a car that does not ship: from its table to the check plan on paper."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sim.cli import main
from sim.lab.case_file import read_case
from sim.lab.story_checks import minutes_before, rivals
from sim.lab.workshop import Workshop
from sim.vehicle.problems import Problem

CARS = Path(__file__).with_name("cars")
GIVEN = "unplug TELEMATICS"
STORIES = {
    "waits": "theory HEATER waits for TELEMATICS",
    "shuts down": "theory HEATER shuts down when code U0198 in CLIMATE",
    "other fuse": "theory F22 feeds HEATER; pull F22",
    "only the plug": "",
}
TIED = ["waits", "shuts down", "other fuse"]
ONE = ["--workers", "1"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the described van, and the case that was begun with the pasted report."""
    monkeypatch.chdir(tmp_path)
    table, report = str(CARS / "ferry-van.csv"), str(CARS / "ferry-van-scan.txt")
    assert 0 == main(["describe", table, "--template", "van", "--title", "Ferry van", "--out", "van.yaml"])
    told = [word for name, edits in STORIES.items() for word in ("--story", f"{name}: {edits}")]
    done = ["--done", "press start with brake", "--done", "wait 8 s", "--given", GIVEN]
    begun = ["new-case", "van.yaml", "--scan-report", report, *done, *told, "--out", "case.yaml"]
    assert 0 == main(begun)
    return tmp_path


def test_from_the_table_to_the_check_plan_by_commands(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """27 modules, three rival stories of three kinds, a tie, the check that divides them, the plan on paper.

    The cheapest check in the long run comes first (to clear and scan): it tells the one that shuts down.
    """
    case = read_case(Path("case.yaml"))
    assert (27, "2026-11-27", "148,300 km") == (len(case.whole_car.built.modules), case.date, case.odometer)
    capsys.readouterr()
    assert 0 == main(["case", "case.yaml", "--json", *ONE])
    assert TIED == json.loads(capsys.readouterr().out)["tied"]
    assert 0 == main(["next-check", "case.yaml", "--stories", "--json", *ONE])
    first = json.loads(capsys.readouterr().out)["checks"][0]
    assert ["clear", "scan"] == first["actions"]
    assert [1, 2] == sorted(len(one["leaves"]) for one in first["outcomes"])
    assert 0 == main(["plan", "case.yaml", "--stories", "--html", "plan.html", *ONE])
    page = Path("plan.html").read_text(encoding="utf-8")
    for end in ("HEATER: waits for TELEMATICS", "shuts down when code U0198", "fit F22; how it is built"):
        assert end in page


def test_the_case_file_holds_its_car_and_goes_to_another_folder(folder: Path) -> None:
    """Car and case in one file: it reads the same where the vehicle file is not."""
    moved = folder / "elsewhere" / "case.yaml"
    moved.parent.mkdir()
    moved.write_bytes((folder / "case.yaml").read_bytes())
    (folder / "van.yaml").unlink()
    assert read_case(moved).holds_its_car
    assert (GIVEN,) == read_case(moved).given


def test_before_a_step_more_stories_were_open_and_the_minute_is_told(here: Workshop) -> None:
    """What was known before the second step leaves more stories; a step that is not there is refused."""
    case = read_case(Path(__file__).parents[2] / "scenarios" / "cases" / "ferry-night.yaml")
    early, late = rivals(case, before=2, workshop=here), rivals(case, workshop=here)
    assert len(early.causes) >= len(late.causes)
    assert {one.edits for one in late.causes} <= {one.edits for one in early.causes}
    starts = minutes_before(case)
    assert 0 == starts[0] < starts[1]
    assert sorted(starts) == list(starts)
    with pytest.raises(Problem, match="a step to be before is one of 2 to"):
        rivals(case, before=99, workshop=here)
