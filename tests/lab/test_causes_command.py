"""`busbay causes`: the possible causes of a case from the command line."""

from pathlib import Path

import pytest

from sim.cli import main

CASE = """
case: A silent gearbox
car: six-modules
given: [unplug TCM]
steps:
  - {do: [wait 1 s, press start, wait 6 s], seen: {starts: false}}
  - {do: scan, seen: {silent: [TCM, ECM], answers: [BCM]}}
stories: {nothing: {}}
"""


@pytest.fixture
def case(tmp_path: Path) -> str:
    """A case file whose gearbox was found unplugged and whose engine module is silent as well."""
    path = tmp_path / "gearbox.yaml"
    path.write_text(CASE, encoding="utf-8")
    return str(path)


def test_faults_alone_are_the_causes_by_default(case: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each fault that silences the engine module is listed, none of them a theory."""
    assert 0 == main(["causes", case, "--workers", "1"])
    told = capsys.readouterr().out
    assert "unplug ECM.C1" in told
    assert "theory" not in told


def test_a_theory_is_listed_where_theories_are_asked_for(
    case: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The engine module may wait for the gearbox: rarer than a fault, and listed below them."""
    assert 0 == main(["causes", case, "--theories", "--workers", "1"])
    told = capsys.readouterr().out.splitlines()
    places = [k for k, line in enumerate(told) if line.endswith("theory ECM waits for TCM")]
    assert 1 == len(places)
    assert places[0] > next(k for k, line in enumerate(told) if "unplug ECM.C1" in line)
