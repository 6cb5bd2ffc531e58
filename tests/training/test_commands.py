"""Exercises from the command line."""

from pathlib import Path

import pytest

from sim.catalogue import shipped_exercises
from sim.cli import main
from sim.training.exercise import find_exercise

SOLUTION = find_exercise("02").solution


def said(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert status == main(arguments)
    return "".join(capsys.readouterr())


def doing(*actions: str) -> list[str]:
    return [word for action in actions for word in ("--do", action)]


def test_the_list_names_every_exercise_and_no_hidden_edit(capsys: pytest.CaptureFixture[str]) -> None:
    """`exercises` lists every shipped exercise and names no hidden edit."""
    lines = said(capsys, "exercises").splitlines()[1:]
    assert list(shipped_exercises()) == [line.split()[0] for line in lines]
    assert "pull" not in " ".join(lines)


def test_the_work_order_says_what_the_customer_says_and_not_what_is_wrong(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`exercise` shows the work order, without hidden edits and hints."""
    text = said(capsys, "exercise", "2")
    assert "Bram Ysebaert" in text
    assert "hay barn" in text
    for hidden in ("pull F2", "F2", *find_exercise("02").hints):
        assert hidden not in text


def test_an_author_checks_an_exercise(capsys: pytest.CaptureFixture[str]) -> None:
    """`check-exercise` plays every fault's solution and tells how the car showed itself."""
    text = said(capsys, "check-exercise", "02-left-in-storage")
    assert "fault 3: found, repaired and proved in" in text
    assert "TCM: silent, normally answers" in text
    assert "measure volts F2.2 to G1: 0 V, normally 12.579 V" in text


def test_an_author_asks_what_else_it_could_be(capsys: pytest.CaptureFixture[str]) -> None:
    """`check-exercise --rivals` says for each fault that nothing else is left."""
    text = said(capsys, "check-exercise", "02-left-in-storage", "--rivals")
    assert 3 == text.count("nothing else is left when it is repaired")


def test_trying_an_exercise_to_its_end(capsys: pytest.CaptureFixture[str]) -> None:
    """`try` with the solution and the cause ends complete, with full credit."""
    text = said(capsys, "try", "02", *doing(*SOLUTION), "--hand-in", "pull F2")
    assert "TCM: silent" in text
    assert "right: pull F2" in text
    assert text.splitlines()[-1] == "complete, 100%"


def test_trying_without_success_names_nothing_hidden(capsys: pytest.CaptureFixture[str]) -> None:
    """`try` with a wrong cause tells how near it is, without naming the right one."""
    actions = doing("press start", "wait 5 s", "scan", "repair TCM.C1.1")
    text = said(capsys, "try", "02", *actions, "--hand-in", "open TCM.C1.1", status=1)
    assert "TCM.C1.1 has nothing to repair" in text
    assert "near: open TCM.C1.1" in text
    assert "not complete, 1 still to be found, 25%" in text
    assert "F2" not in text


def test_a_debrief_on_paper_and_on_screen(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """`debrief` writes a page to a file, or Markdown that names the hidden edit."""
    page = tmp_path / "debrief.html"
    work = ["debrief", "02", *doing(*SOLUTION), "--hand-in", "pull F2", "--quick"]
    assert f"{page} is written.\n" == said(capsys, *work, "--html", str(page))
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert "Hidden in this car: “F2: missing”." in said(capsys, *work)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["exercise", "99"], "no exercise '99'"),
        (["exercise", "02-left-in-storag"], "did you mean '02-left-in-storage'?"),
        (["exercise", "no/such.yaml"], "such.yaml, line 1: cannot be read"),
        (["try", "02", "--do", "short ECM.C1.1 to BODY"], "'short' would damage the customer's car"),
        (["try", "02", "--hand-in", "the fuse"], "no edit begins with 'the'"),
        (["try", "02", "--hints", "9"], "there are no more hints"),
        (["try", "02", "--script", "no such file"], "no such file cannot be read as a list of actions"),
        (["debrief", "02"], "the debrief comes after handing in"),
    ],
)
def test_bad_input_ends_in_one_sentence(
    capsys: pytest.CaptureFixture[str], arguments: list[str], sentence: str
) -> None:
    """Bad input to a training command ends in one sentence and status 1."""
    text = said(capsys, *arguments, status=1)
    lines = [line for line in text.splitlines() if not line.startswith("  read: busbay handbook ")]
    assert sentence in lines[-1]
    assert "Traceback" not in text
