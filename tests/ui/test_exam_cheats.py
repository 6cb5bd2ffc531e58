"""An exam tried in eight ways by a script that cheats: nothing is found before the release.

Every message that the server sends is kept, and read byte by byte.
"""

import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import md5
from html import unescape

import pytest
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from sim.catalogue import shipped_exercises
from sim.training.exams import HELD_BACK
from sim.training.exercise import Exercise, exercise_from_text
from sim.training.passphrase import Door
from sim.training.records import RECORDS_VARIABLE, Records
from sim.training.rows import AssignmentRow
from tests.ui.browser import front_end
from tests.ui.visitor import Visitor, query

NAME = "22-tire-light-and-wipers"  # a hidden difference of the design, and a fuse that is out
FILE = shipped_exercises()[NAME].read_text(encoding="utf-8")
PASSPHRASE = "correct horse battery"
WAYS = (
    "second name", "home desk", "early hand-in", "shipped file", "free bay", "refusals",
    "address of the projector", "websocket messages",
)  # fmt: skip


@dataclass
class Room:
    """A class that writes an exam, and everything that reached a student who cheats."""

    address: str
    records: Records
    code: str
    exam: AssignmentRow
    key: str
    student_id: int
    came: list[bytes]

    def visit(self, page: str, **fields: str) -> Visitor:
        """A visit of which every byte is kept."""
        visitor = Visitor(self.address, page, query(**fields), keeps=True)
        visitor.received = self.came
        return visitor

    @property
    def text(self) -> str:
        """Everything that came, as text, without the escapes that would keep words from being found."""
        return "\n".join(_told(raw) for raw in self.came)


def _told(raw: bytes) -> str:
    message = ForwardMsg()
    message.ParseFromString(raw)
    return unescape(str(message) + raw.decode("utf-8", "ignore")).replace("\\", "")


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    folder = tmp_path_factory.mktemp("cheats")
    url = f"sqlite:///{folder}/classes.sqlite"
    records = Records(url)
    Door(records.engine).set_passphrase(PASSPHRASE)
    group = records.classes.open("Tuesday")
    exam = records.assignments.give(group.id, FILE, lasts_min=60)
    student, key = records.students.join(group.join_code, "Amara", browser="hers")
    with front_end(**{RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder)}) as address:
        yield Room(address, records, group.join_code, exam, key, student.id, [])
    records.close()


def exercise() -> Exercise:
    return exercise_from_text(FILE, NAME)


def solution() -> list[str]:
    """What only a debrief, a verdict, an instructor or the file says."""
    one = exercise()
    told = ("Cause named", "not named", "Debrief: ", "The instructor shows what is hidden")
    return [*one.arrives, one.guide.why, *one.guide.wrong_turns, *one.guide.ask, *told]


def found(room: Room, way: str) -> list[str]:
    """What was found out; the lists of all that can be named hold `pull F31` for every car."""
    listed = {"pull F31"}
    return [f"{way}: {words}" for words in solution() if words not in listed and words in room.text]


@pytest.mark.parametrize("way", WAYS)
def test_a_cheat_finds_nothing(room: Room, way: str) -> None:
    """Each way ends with nothing that a debrief, a verdict or the exercise file says."""
    CHEATS[way](room)
    assert [] == found(room, way)


def second_name(room: Room) -> None:
    """Join once more, spoil the exam under that name, and read how it went."""
    student, key = room.records.students.join(room.code, "Zoe", browser="hers")
    _hand_in(room, key, student.id)
    signs = {row.student: row.signs for row in room.records.board(room.exam.class_id)}
    assert "same browser as Zoe" in signs["Amara"]


def home_desk(room: Room) -> None:
    """Open a desk at home, begin the same exercise there, by button and by address."""
    alone, key = room.records.practice_alone()
    with room.visit("desk", student=key) as visitor:
        assert f"take {NAME}" not in visitor.keys("button"), "shown, but not to be pressed"
        assert visitor.has(f"take {NAME}")
        visitor.press("take 01-first-scan")
        assert [] == visitor.exceptions
    task = room.records.assignments.give(alone.class_id, FILE, practice=True)
    with room.visit("exercise", student=key, exercise=str(task.id)) as visitor:
        assert HELD_BACK in visitor.text.replace("\\", "")


def early_hand_in(room: Room) -> None:
    """Hand in after a minute, and read what comes."""
    _hand_in(room, room.key, room.student_id)


def _hand_in(room: Room, key: str, student_id: int) -> None:
    room.records.attempts.begin(room.exam, student_id)
    with room.visit("exercise", student=key, exercise=str(room.exam.id)) as visitor:
        assert "min left" in visitor.text
        work = room.records.attempts.begin(room.exam, student_id)
        work.hand_in(["pull F3"])
        visitor.go("desk")
        assert "handed in" in visitor.text
        assert "%" not in visitor.text.partition("handed in")[2].partition("\n")[0]
    with room.visit("exercise", student=key, exercise=str(room.exam.id)) as visitor:
        assert "Handed in" in visitor.text
        assert "with the instructor" in visitor.text
        for button in ("print_debrief", "log", "hand_in"):
            assert not visitor.has(button)


def shipped_file(room: Room) -> None:
    """Ask the server for the file, and give it to every place that takes one."""
    for path in (f"scenarios/exercises/{NAME}.yaml", f"static/{NAME}.yaml", f"app/static/{NAME}.yaml"):
        assert exercise().guide.why not in _fetched(f"{room.address}/{path}")
    with room.visit("welcome") as visitor:
        uploaders = [one.id.split("-", 2)[-1] for one in visitor.all("file_uploader")]
        for key in uploaders:
            if visitor.upload(key, "own.yaml", FILE.encode()) < 300:
                assert not visitor.has("take_own"), "no car, so nothing to put into the bay"


def free_bay(room: Room) -> None:
    """Open the bay and the lab by the name of the exercise, and by every key that a student has."""
    for page in ("bay", "what-if", "instead", "suspects", "case", "exercise"):
        named = {"exercise": NAME, "bench": room.key, "car": NAME}
        with room.visit(page, **named) as visitor:
            assert exercise().work_order.customer not in visitor.text
            assert [] == visitor.exceptions


def refusals(room: Room) -> None:
    """Say parts of the hidden design by their names: the answers are those of any name that is none."""
    third, key = room.records.students.join(room.code, "Wei")
    whole, real = exercise().whole_car, exercise().real_car
    hidden = sorted((real.terminals | real.elements.keys()) - (whole.terminals | whole.elements.keys()))[:4]
    with room.visit("exercise", student=key, exercise=str(room.exam.id)) as visitor:
        visitor.choose("panel", "Work")
        answers = []
        for part in (*hidden, "F99.2--SP.F99"):
            visitor.fill("sentence", f"open {part}")
            visitor.press("Do it")
            (told,) = [one.body.replace("\\", "").replace(part, "PART") for one in visitor.all("alert")][-1:]
            answers.append(told.partition(";")[0].partition(" (")[0].partition(", did you")[0])
    assert [answers[-1]] * len(hidden) == answers[:-1]
    assert [] == room.records.attempts.begin(room.exam, third.id).attempt.log, "and cost nothing"


def address_of_the_projector(room: Room) -> None:
    """Read the addresses of all pages of the instructor, and open them elsewhere."""
    with Visitor(room.address, "instructor") as teacher:
        teacher.fill("passphrase", PASSPHRASE)
        teacher.press("Sign in")
        seen = []
        for page in ("curriculum", "classes", "board", "results", "replay", "author", "bay"):
            teacher.go(page)
            if page == "author":
                teacher.press("author_take")
            seen.append((page, teacher.query))
    for page, asked in seen:
        assert "bench=" not in asked
        with Visitor(room.address, page, asked, keeps=True) as stranger:
            room.came += stranger.received
            assert {"curriculum", "classes", "board", "results", "replay", "author"}.isdisjoint(
                stranger.pages
            )


def websocket_messages(room: Room) -> None:
    """Send what no page would send: pages of others by their hash, buttons and fields that are not there."""
    with room.visit("exercise", student=room.key, exercise=str(room.exam.id)) as visitor:
        for page in ("curriculum", "board", "results", "replay", "author", "classes", "bay", "suspects"):
            message = BackMsg()
            asked = message.rerun_script
            asked.query_string = query(student=room.key, exercise=str(room.exam.id), attempt="1")
            asked.page_script_hash = md5(page.encode(), usedforsecurity=False).hexdigest()
            asked.page_name = page
            for key in ("print_debrief", "reveal", "release_all", "replay_hidden", "author_take"):
                state = asked.widget_states.widgets.add()
                state.id, state.trigger_value = f"$$ID-{'0' * 32}-{key}", True
            visitor.send(message)


def _fetched(address: str) -> str:
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:
            return str(answer.read().decode("utf-8", "ignore"))
    except urllib.error.HTTPError as refused:
        return refused.read().decode("utf-8", "ignore")


CHEATS = dict(
    zip(
        WAYS,
        (second_name, home_desk, early_hand_in, shipped_file, free_bay, refusals, address_of_the_projector,
         websocket_messages),
        strict=True,
    )
)  # fmt: skip


def test_after_the_release_the_same_ways_find_it(room: Room) -> None:
    """The release shows the debrief to who has handed in, and opens the exercise elsewhere."""
    if room.records.assignments.desk(room.student_id)[0].attempt_id is None:
        early_hand_in(room)
    room.records.exams.release(room.exam.id)
    with room.visit("exercise", student=room.key, exercise=str(room.exam.id)) as visitor:
        assert "Debrief: " in visitor.text
    assert found(room, "released")
    alone, key = room.records.practice_alone()
    task = room.records.assignments.give(alone.class_id, FILE, practice=True)
    with room.visit("exercise", student=key, exercise=str(task.id)) as visitor:
        assert HELD_BACK not in visitor.text.replace("\\", "")
