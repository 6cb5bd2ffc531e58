"""`busbay what-if`, `next-check` and `pairs`: what they say of a small car."""

from pathlib import Path

import pytest

from sim.cli import main
from sim.lab import commands

ONE = ["--workers", "1"]
ACTIONS = ["--do", "press start", "--do", "wait 5 s", "--do", "scan", *ONE]
EDITS = ["--edit", "pull F2", "--edit", "unplug TCM"]
CASE = """
case: A silent gearbox
car: six-modules
steps: [{do: [wait 1 s, press start, wait 6 s, scan], seen: {silent: [%s], answers: [ECM]}}]
stories: {nothing: {}}
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_what_if_names_the_smallest_sets_that_cause_a_symptom(capsys: pytest.CaptureFixture[str]) -> None:
    """Either edit silences the module, hides what the other one does, and no row tells them apart."""
    assert 0 == main(["what-if", "six-modules", *EDITS, *ACTIONS])
    told = capsys.readouterr().out
    assert "pull F2 or unplug TCM" in told
    assert "“pull F2” hides the effect of “unplug TCM” on: TCM" in told
    assert "pull F2 = unplug TCM = pull F2 + unplug TCM" in told


def test_what_if_writes_its_table_and_a_page(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A row for each combination in the table; nothing is printed then."""
    assert 0 == main(["what-if", "six-modules", *EDITS, *ACTIONS, "--csv", "grid.csv", "--html", "grid.html"])
    assert "" == capsys.readouterr().out
    rows = (folder / "grid.csv").read_text(encoding="utf-8").splitlines()
    assert (5, "row,pull F2,unplug TCM") == (len(rows), rows[0][:22])
    assert "pull F2 or unplug TCM" in (folder / "grid.html").read_text(encoding="utf-8")


def test_what_if_refuses_what_no_combination_can_do(capsys: pytest.CaptureFixture[str]) -> None:
    """A typing error costs one sentence and no thousand runs."""
    assert 1 == main(["what-if", "six-modules", *EDITS, "--do", "press stort", *ONE])
    told = capsys.readouterr().err.splitlines()
    assert "busbay: write 'press start' or 'press start with brake'" == told[0]


def test_the_next_check_tells_fuse_from_plug(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A look or a reading comes first, with what it may show."""
    (folder / "case.yaml").write_text(CASE % "TCM", encoding="utf-8")
    assert 0 == main(["next-check", "case.yaml", *ONE])
    told = capsys.readouterr().out.splitlines()
    assert "is known in" in told[1]
    assert told[3].startswith("check")
    assert told[4].split()[0] in ("look", "measure")
    assert " in 1 min." in told[0]


def test_without_a_cause_there_is_no_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No single fault silences two modules of this car and no more: status 1, and what may be the reason."""
    (folder / "case.yaml").write_text(CASE % "TCM, AIRBAG, ABS", encoding="utf-8")
    assert 1 == main(["next-check", "case.yaml", *ONE])
    assert "more faults at once" in capsys.readouterr().out


def test_while_a_search_goes_on_the_next_check_is_told_so_far(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After the first seconds there is something to do at the car; the answer in the end is the same."""
    (folder / "case.yaml").write_text(CASE % "TCM", encoding="utf-8")
    assert 0 == main(["next-check", "case.yaml", *ONE])
    whole = capsys.readouterr().out
    assert "So far" not in whole
    monkeypatch.setattr(commands, "SOON_S", 0.0)
    assert 0 == main(["next-check", "case.yaml", *ONE])
    soon, _, rest = capsys.readouterr().out.partition(" The search goes on.\n\n")
    assert soon.startswith("So far, with ")
    assert whole == rest
