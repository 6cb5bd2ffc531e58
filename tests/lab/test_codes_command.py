"""`busbay codes`: which codes of a report matter, from the command line."""

from pathlib import Path

import pytest

from sim.cli import main

REPORT = "ECM U0101-87 present\nABS U0101 stored\nBCM U0184 stored\nTCM is silent\nECM answers\n"
TABLE = "module,bus\nGATEWAY,main,body\nECM,main\nTCM,main\nABS,main\nBCM,body\nRADIO,body\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The working folder, with a car of two columns and a report."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "van.csv").write_text(TABLE, encoding="utf-8")
    (tmp_path / "report.txt").write_text(REPORT, encoding="utf-8")
    return tmp_path


def test_two_columns_and_a_report_are_enough(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The absent module comes first, with who misses it; the code of another reason is left over."""
    assert 0 == main(["codes", "van.csv", "--report", "report.txt"])
    told = capsys.readouterr().out.splitlines()
    assert ["Absent", "  TCM is absent: that explains 2 of 3 codes."] == told[:2]
    assert "  TCM     no answer            ECM U0101-87, ABS U0101" == told[3]
    assert "  U0184  Lost Communication With Radio  BCM stored" in told


def test_a_report_of_codes_alone_asks_for_more(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without the modules that do not answer the same is told, and what would make it surer."""
    (folder / "report.txt").write_text("ECM U0101\nABS U0101\nGATEWAY U0101\n", encoding="utf-8")
    assert 0 == main(["codes", "van.csv", "--report", "report.txt"])
    told = capsys.readouterr().out
    assert "TCM is absent: that explains 3 of 3 codes." in told
    assert "Scan every module for a more certain answer." in told


def test_the_answer_can_be_printed(folder: Path) -> None:
    """`--html` writes a page with the same answer."""
    assert 0 == main(["codes", "van.csv", "--report", "report.txt", "--html", "codes.html"])
    assert "TCM is absent" in (folder / "codes.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("table", "problem"),
    [("ECM\n", "van.csv, line 1: ECM needs a bus"), ("ECM a\nECM b\n", "'ECM' is in row 1 already")],
)
def test_a_table_that_is_none_is_refused_in_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str], table: str, problem: str
) -> None:
    """A missing bus and a module named twice get one clear line."""
    (folder / "van.csv").write_text(table, encoding="utf-8")
    assert 1 == main(["codes", "van.csv", "--report", "report.txt"])
    assert problem in capsys.readouterr().err


def test_a_report_that_says_nothing_is_refused_in_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A text without module or code is no report, and its lines are shown."""
    (folder / "report.txt").write_text("it is dark in here\n", encoding="utf-8")
    assert 1 == main(["codes", "van.csv", "--report", "report.txt"])
    told = capsys.readouterr().err
    assert "not understood, line 1: it is dark in here" in told
    assert told.endswith(
        "busbay: the report says nothing that is understood: it needs lines with modules and codes\n"
    )


def test_car_and_report_are_two_files(capsys: pytest.CaptureFixture[str]) -> None:
    """Standard input is one of them only."""
    assert 1 == main(["codes", "-", "--report", "-"])
    assert (
        "busbay: standard input is one file: give the car or the report a path\n" == capsys.readouterr().err
    )
