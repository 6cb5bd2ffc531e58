"""Nothing hidden reaches a student's browser before hand-in: every message of a visit is read byte by byte.

One exercise by default; `BUSBAY_LEAKS=all` walks through every one.
"""

import os
from collections.abc import Iterator
from html import unescape

import pytest
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from sim.training.authoring import exercise_file, fields_of
from sim.training.exercise import Exercise, read_exercise, shipped_exercises
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import front_end
from tests.ui.visitor import Visitor, query
from ui.exercise_page import PANELS
from ui.seen import what_may_be_seen

NAMES = list(shipped_exercises())
WALKED = NAMES if os.environ.get("BUSBAY_LEAKS") == "all" else [NAMES[1]]
NEIGHBOUR = "Zebulon Quixano"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Records]]:
    folder = tmp_path_factory.mktemp("leaks")
    url = f"sqlite:///{folder}/classes.sqlite"
    records = Records(url)
    with front_end(**{RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder)}) as address:
        yield address, records
    records.close()


def walk(address: str, records: Records, file: str, tools: tuple[str, ...]) -> tuple[str, Visitor]:
    """Everything that reaches a student who opens every page and panel, drives, and scans."""
    group = records.open_class("Tuesday")
    records.join(group.join_code, NEIGHBOUR)
    _, key = records.join(group.join_code, "Amara")
    task = records.assign(group.id, file)
    with Visitor(address, "exercise", query(student=key, exercise=str(task.id)), keeps=True) as visitor:
        for panel, needs in PANELS.items():
            if not needs or set(needs) & set(tools):
                visitor.choose("panel", panel)
        visitor.choose("panel", "Seat")
        starts = [one for one in visitor.keys("button") if one.startswith(("key run", "press"))]
        visitor.press(starts[0])
        visitor.press("wait 10")
        if "scan" in tools:
            visitor.choose("panel", "Tester")
            visitor.press("scan")
        visitor.choose("panel", "Log")
        for module in list(
            records.resume(records.attempts_of(records.student(key).id)[0]).attempt.bench.live.modules
        )[:4]:
            visitor.pick("map", f"module {module}")
        visitor.go("diagrams")
        visitor.go("desk")
        visitor.go("")
    return "\n".join(_told(raw) for raw in visitor.received), visitor


def _told(raw: bytes) -> str:
    """A message as text: what is written in it, and the bytes themselves where it says nothing."""
    message = ForwardMsg()
    message.ParseFromString(raw)
    # escapes of HTML, Markdown and protobuf would keep a sentence from being found
    return unescape(str(message) + raw.decode("utf-8", "ignore")).replace("\\", "")


def _hidden_sentences(exercise: Exercise) -> list[str]:
    changes = what_may_be_seen(exercise.bench()).changes
    return [*exercise.arrives, *(text for one in changes for text in (one.text, one.undo))]


@pytest.mark.parametrize("name", WALKED)
def test_nothing_hidden_reaches_a_student(name: str, served: tuple[str, Records]) -> None:
    """A sentence about the hidden fault stands in what came no more often than for a car without it.

    Lists of all that can be done or named hold it in both cases: they follow from the wiring diagram alone.
    """
    address, records = served
    file = shipped_exercises()[name].read_text(encoding="utf-8")
    exercise = read_exercise(shipped_exercises()[name])
    came, visitor = walk(address, records, file, exercise.tools)
    assert [] == visitor.exceptions
    whole = exercise_file(fields_of(exercise) | {"arrives": "", "others": ""})
    usual, _ = walk(address, records, whole, exercise.tools)
    assert exercise.work_order.customer in came, "the walk sees the exercise"
    assert "Amara" in came
    secrets = [
        NEIGHBOUR,
        exercise.guide.why,
        *exercise.guide.wrong_turns,
        *exercise.guide.ask,
        *exercise.hints,
    ]
    secrets += [other.why for other in exercise.others]
    assert [] == [secret for secret in secrets if secret in came]
    more = {text: (came.count(text), usual.count(text)) for text in _hidden_sentences(exercise)}
    assert {} == {text: counts for text, counts in more.items() if counts[0] > counts[1]}


def test_the_walk_would_find_a_leak(served: tuple[str, Records]) -> None:
    """What the instructor shows does reach the student, and the reading of messages finds it."""
    address, records = served
    file = shipped_exercises()[NAMES[1]].read_text(encoding="utf-8")
    group = records.open_class("shown")
    _, key = records.join(group.join_code, "Bo")
    task = records.assign(group.id, file)
    records.reveal(task.id)
    with Visitor(address, "exercise", query(student=key, exercise=str(task.id)), keeps=True) as visitor:
        came = "\n".join(_told(raw) for raw in visitor.received)
    assert "The instructor shows what is hidden: pull F2" in came
