"""Which car is meant: a shipped name, a path of one's own, standard input."""

import io
from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.catalogue import car_file, find_car, vehicle_text
from sim.cli import main
from sim.vehicle.problems import Problem


@pytest.fixture
def van(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A technician's own car in the working folder; it differs from the shipped one by its title."""
    text = (scenarios_folder() / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    path = tmp_path / "van.yaml"
    path.write_text(text.replace(find_car("six-modules").title, "My own van"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return path


def test_a_shipped_car_goes_by_its_name_and_an_own_one_by_its_path(van: Path) -> None:
    """Name, relative path, whole path, and a path from another folder all find the car that is meant."""
    assert "My own van" != find_car("six-modules").title
    for name in ("van.yaml", str(van), f"../{van.parent.name}/van.yaml"):
        assert "My own van" == find_car(name).title
    assert "My own van" == car_file("van.yaml", van.parent).car.title


def test_a_dash_is_standard_input(van: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The text on standard input is the car."""
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(van.read_bytes()), encoding="utf-8"))
    assert "My own van" == find_car("-").title


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("van", "no car 'van'; did you mean 'van.yaml'?"),
        (
            "six-module",
            "no car 'six-module'; did you mean 'six-modules'?",
        ),
        ("vam.yaml", "vam.yaml, line 1: cannot be read: there is no such file; did you mean 'van.yaml'?"),
        ("no/such.yaml", "such.yaml, line 1: cannot be read: there is no such file"),
    ],
)
def test_a_wrong_name_gets_the_nearest_right_one(van: Path, name: str, sentence: str) -> None:
    """Shipped cars and files beside it are looked through."""
    with pytest.raises(Problem) as raised:
        vehicle_text(name)
    assert sentence == str(raised.value)


def test_an_own_car_with_an_error_names_its_file_and_line(van: Path) -> None:
    """The lab does not begin before the description is sound."""
    van.write_text(van.read_text(encoding="utf-8") + "nonsense: 1\n", encoding="utf-8")
    last = len(van.read_text(encoding="utf-8").splitlines())
    with pytest.raises(Problem, match=rf"^van\.yaml, line {last}, nonsense: unknown key 'nonsense'"):
        vehicle_text("van.yaml")


def test_a_file_without_end_is_not_read_to_its_end(van: Path) -> None:
    """No more is read than a description may have."""
    with van.open("a", encoding="utf-8") as file:
        file.write("# " + "x" * 400_000)
    with pytest.raises(Problem, match="is larger than 250000 bytes"):
        find_car("van.yaml")


SMALL = ["--workers", "1", "--edits", "3"]
LAB = {
    "car": ["car", "CAR"],
    "run": ["run", "CAR", "--do", "wait 1 s"],
    "diagram": ["diagram", "CAR", "F1"],
    "record": ["record", "CAR", "--do", "wait 1 s", "--out", "log.asc"],
    "check-search": ["check-search", "CAR", *SMALL, "--pairs", "2"],
    "check-advice": ["check-advice", "CAR", *SMALL, "--faults", "2", "--draws", "1", "--searched", "1"],
    "pairs": ["pairs", "CAR", "--workers", "1", "--edit", "pull F1", "--edit", "pull F2"],
}


@pytest.mark.parametrize("command", LAB)
def test_every_command_that_takes_a_car_takes_an_own_one(
    van: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A path gives what the shipped car of the same description gives."""
    told = []
    for name in ("six-modules", "van.yaml"):
        Path("log.asc").unlink(missing_ok=True)
        assert 0 == main([name if word == "CAR" else word for word in LAB[command]])
        told.append(capsys.readouterr().out.replace(find_car(name).title, "CAR"))
    assert told[0] == told[1]


def test_serve_needs_its_standard_input_for_actions(capsys: pytest.CaptureFixture[str]) -> None:
    """A car and actions cannot both come from there."""
    assert 1 == main(["serve", "-"])
    assert "serve reads actions from standard input" in capsys.readouterr().err


def test_drafts_of_an_own_car_are_refused_before_any_run(
    van: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An exercise names a shipped car."""
    assert 1 == main(["pairs", "van.yaml", "--drafts", "drafts"])
    assert "--drafts needs a shipped car" in capsys.readouterr().err
