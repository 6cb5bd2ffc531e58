"""`busbay case`: the stories of a case file from the command line."""

import json
from pathlib import Path

import pytest

from sim.catalogue import vehicle_text
from sim.cli import main
from sim.lab.report import DISCLAIMER

CASE = """
case: A silent gearbox
car: {car}
steps:
  - do: [wait 1 s, press start, wait 6 s]
  - {{do: scan, seen: {{silent: [TCM], answers: [ECM]}}}}
stories:
  nothing: {{}}
  fuse: {{edits: [pull F2]}}
  plug: {{edits: [unplug TCM]}}
experiments: [look F2]
"""
OUTCOME = "A tie: 'fuse', 'plug' all explain everything that was seen"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The working folder, with a case of each way to name its car, and that car's file."""
    monkeypatch.chdir(tmp_path)
    van = vehicle_text("six-modules")
    (tmp_path / "van.yaml").write_text(van, encoding="utf-8")
    inside = "|\n" + "".join(f"  {line}\n" for line in van.splitlines())
    for name, car in (("name", "six-modules"), ("path", "van.yaml"), ("inside", inside)):
        (tmp_path / f"{name}.yaml").write_text(CASE.format(car=car), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("car", ["name", "path", "inside"])
def test_a_case_is_told_as_text(folder: Path, car: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Whichever way a case has its car, the stories come best first, each with its first miss."""
    assert 0 == main(["case", f"{car}.yaml", "--workers", "1"])
    told = capsys.readouterr().out.splitlines()
    assert ["A silent gearbox", ""] == told[:2]
    assert ["fuse     everything    pull F2", "plug     everything    unplug TCM"] == told[2:4]
    assert told[4].startswith("nothing  1 of 2 ")
    assert "         step 2, TCM: seen silent, this story says answers" == told[5]
    assert told[7].startswith(OUTCOME)
    assert "Would tell them apart: look F2: fuse | plug" in told


def test_a_case_is_told_as_json(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Another program gets the stories, their misses and the experiments."""
    assert 0 == main(["case", "name.yaml", "--json", "--workers", "1"])
    data = json.loads(capsys.readouterr().out)
    assert (DISCLAIMER, ["fuse", "plug"]) == (data["disclaimer"], data["tied"])
    wrong = data["stories"][2]
    assert ("nothing", False, 2) == (wrong["story"], wrong["reproduces_all"], wrong["looked_at"])
    assert [("TCM", "silent", "answers")] == [(m["what"], m["seen"], m["says"]) for m in wrong["misses"]]
    assert [["fuse"], ["plug"]] == data["experiments"][0]["groups"]


def test_a_case_is_written_as_a_page(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The page holds the same outcome; a folder that does not exist is one error."""
    assert 0 == main(["case", "name.yaml", "--html", "case.html", "--workers", "1"])
    assert "nothing checked so far tells them apart" in (folder / "case.html").read_text(encoding="utf-8")
    assert 1 == main(["case", "name.yaml", "--html", "no/case.html", "--workers", "1"])
    assert "busbay: no/case.html cannot be written: No such file or directory" in capsys.readouterr().err


def test_a_case_that_does_not_exist_is_one_error(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that is nearly right is offered; a path that leads nowhere is named."""
    assert 1 == main(["case", "radio-taxy"])
    assert "busbay: no case 'radio-taxy'; did you mean 'radio-taxi'?" in capsys.readouterr().err
    assert 1 == main(["case", "none.yaml"])
    assert "busbay: none.yaml, line 1: cannot be read" in capsys.readouterr().err
