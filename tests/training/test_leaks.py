"""Nothing hidden reaches a student's browser before hand-in: whatever comes is read byte by byte.

Every message of a visit of every page and panel, refusals of odd sentences, pictures and files to download,
odd addresses, and what the server gives to a plain request. Some exercises by default; `BUSBAY_LEAKS=all`
walks through every fault of every one (half an hour; `-k` takes a part).
"""

import base64
import re
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from html import unescape
from itertools import cycle

import pytest
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from sim.catalogue import shipped_exercises
from sim.training.answers import cause_words, part_words
from sim.training.authoring import exercise_file, fields_of
from sim.training.exercise import Exercise, read_exercise
from sim.training.records import RECORDS_VARIABLE, Records
from sim.training.schema import attempts
from sim.training.store import writing
from tests.training.test_refusals import ALL
from tests.ui.browser import front_end
from tests.ui.visitor import Visitor, query
from ui.state.visible import all_visible
from ui.views.diagrams import VIEWS
from ui.views.exercise import PANELS

NAMES = list(shipped_exercises())
SOME = [("02-left-in-storage", 2), ("22-tire-light-and-wipers", 0)]
NEIGHBORS = ("Zebulon Quixano", "Ottoline Fitzwarren", "Barnaby Tilliedrum")
NOTE = "the vicar's marmalade"
ABSENT = ("no-such-key", "0", "-1", "999999", "1e3", "\u0663", "9" * 5000, "../../etc/passwd", "1 OR 1=1")
PATHS = (
    "", "robots.txt", "static/", "static/../../../scenarios/exercises/02-left-in-storage.yaml", "app/static/",
    "app/static/../ui/app.py", "media/", "media/../classes.sqlite", "media/%2e%2e/%2e%2e/classes.sqlite",
    "scenarios/exercises/02-left-in-storage.yaml", "classes.sqlite", "ui/app.py", "component/",
    "_stcore/health", "_stcore/host-config", "_stcore/metrics", "_stcore/script-health-check",
    "component/..", "_stcore/bidi-components/", "_stcore/bidi-components/busbay_sheet/../../ui/app.py",
    "_stcore/upload_file/", "_stcore/agent/interact", "_stcore/agent/mcp", "board", "replay?attempt=1",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Came:
    """What reached the student, as text."""

    text: str
    exceptions: tuple[str, ...]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Records]]:
    folder = tmp_path_factory.mktemp("leaks")
    url = f"sqlite:///{folder}/classes.sqlite"
    records = Records(url)
    with front_end(**{RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder)}) as address:
        yield address, records
    records.close()


@lru_cache(maxsize=1)  # one walk for all faults of an exercise
def usual_walk(address: str, records: Records, name: str) -> Came:
    """The same visit of a car with nothing wrong."""
    exercise = read_exercise(shipped_exercises()[name])
    whole = exercise_file(fields_of(exercise) | {"arrives": "", "faults": "1"})
    return walk(address, records, whole, exercise, 0)


def walk(address: str, records: Records, file: str, exercise: Exercise, place: int) -> Came:
    """Everything that reaches a student who opens every page and panel, drives, measures, scans and errs.

    `place`: which fault of the work order the student has.
    """
    group = records.classes.open("Tuesday")
    task = records.assignments.give(group.id, file)
    student, key = records.students.join(group.join_code, "Amara")
    own = records.attempts.begin(task, student.id).id
    with writing(records.engine) as connection:
        connection.execute(attempts.update().where(attempts.c.id == own).values(variant=place))
    for name in NEIGHBORS:
        neighbor, _ = records.students.join(group.join_code, name)
    records.attempts.begin(task, neighbor.id).note(NOTE)
    with Visitor(address, "exercise", query(student=key, exercise=str(task.id)), keeps=True) as visitor:
        _work(visitor, exercise)
        words = _read(visitor)
        visits = [visitor]
    with Visitor(address, "desk", query(student=key), keeps=True) as idle:
        for page in list(idle.pages):
            idle.go(page)
        visits.append(idle)
    words += [_told(raw) for visit in visits for raw in visit.received]
    exceptions = tuple(text for visit in visits for text in visit.exceptions)
    records.exams.release(task.id)  # an open exam is held back from who joins another class
    return Came("\n".join(words), exceptions)


def _work(visitor: Visitor, exercise: Exercise) -> None:
    for panel, needs in PANELS.items():
        if not needs or set(needs) & set(exercise.tools):
            visitor.choose("panel", panel)
            for box in ("work_kind", "measure_kind", "answer_sort"):
                for kind in _options(visitor, box):
                    visitor.choose(box, kind)
    visitor.choose("panel", "Seat")
    starts = [one for one in visitor.keys("button") if one.startswith(("key run", "press"))]
    visitor.press(starts[0])
    visitor.press("wait 10")
    if "scan" in exercise.tools:
        visitor.choose("panel", "Tester")
        visitor.press("scan")
    if "scope" in exercise.tools:
        visitor.choose("panel", "Scope")
        with suppress(LookupError):  # a car without a bus at its diagnostic connector
            visitor.press("sweep")
    visitor.choose("panel", "Log")
    for module in list(exercise.whole_car.claimed.modules)[:4]:
        visitor.pick("map", f"module {module}")
    _name(visitor, exercise)
    _err(visitor, exercise)


def _name(visitor: Visitor, exercise: Exercise) -> None:
    """What is offered as wrong with the parts that are, and with others of their kind."""
    visitor.choose("panel", "Hand in")
    words = part_words(exercise.whole_car)
    parts = dict.fromkeys(
        word for text in _every_fault(exercise) for word in text.split()[1:] if word in words
    )
    for part in [*list(parts)[:4], "G1"]:
        visitor.choose("answer_part", words[part])
        visitor.press("add_cause")


def _err(visitor: Visitor, exercise: Exercise) -> None:
    """Sentences with a letter too few at what is hidden, and others that make no sense."""
    if "repair" not in exercise.tools:
        return
    visitor.choose("panel", "Work")
    parts = list(dict.fromkeys(word for text in _every_fault(exercise) for word in text.split()[1:]))[:4]
    odd = [f"{verb} {part[:-1]}" for part in parts for verb in ("look", "repair")]
    for sentence in (
        *odd,
        "open G1",
        "remove short ECM to BODY",
        "theory x",
        "charge -1 %",
        "wait 99 days",
        "\\",
    ):
        visitor.fill("sentence", sentence)
        visitor.press("Do it")


def _every_fault(exercise: Exercise) -> list[str]:
    return [text for one in (exercise, *exercise.others) for text in one.arrives]


def _read(visitor: Visitor) -> list[str]:
    """The other pages; what is in the files and pictures that they point at."""
    visitor.go("diagrams")
    words = []
    for view in VIEWS:
        visitor.choose("sheets", view)
        words.append(_files(visitor))
    visitor.go("desk")
    visitor.go("")
    return words


def _options(visitor: Visitor, key: str) -> list[str]:
    for kind in ("selectbox", "button_group"):
        for one in visitor.all(kind):
            if one.id.endswith(f"-{key}"):
                return [getattr(option, "content", option) for option in one.options]
    return []


def _files(visitor: Visitor) -> str:
    """What the messages point at: files to download, while they are there, and pictures inside of texts."""
    came = "\n".join(_told(raw) for raw in visitor.received)
    files = [fetched(visitor.address + one) for one in sorted(set(re.findall(r"/media/[\w.]+", came)))]
    inside = sorted(set(re.findall(r"data:[\w/+-]+;base64,([\w+/=]+)", came)))
    return "\n".join([*files, *(base64.b64decode(one).decode("utf-8", "ignore") for one in inside)])


def _told(raw: bytes) -> str:
    """A message as text: what is written in it, and the bytes themselves where it says nothing."""
    message = ForwardMsg()
    message.ParseFromString(raw)
    # escapes of HTML, Markdown and protobuf would keep a sentence from being found
    return unescape(str(message) + raw.decode("utf-8", "ignore")).replace("\\", "")


def _hidden_sentences(exercise: Exercise) -> list[str]:
    changes = all_visible(exercise.bench()).changes
    own = [text for one in changes for text in (one.text, one.undo)]
    told = [cause_words(text, exercise.real_car) for text in _every_fault(exercise)]
    return list(dict.fromkeys([*_every_fault(exercise), *told, *own]))


def _walked() -> list[tuple[str, int]]:
    if not ALL:
        return SOME
    faults = {name: 1 + len(read_exercise(path).others) for name, path in shipped_exercises().items()}
    return [(name, place) for name, count in faults.items() for place in range(count)]


@pytest.mark.parametrize(("name", "place"), _walked())
def test_nothing_hidden_reaches_a_student(name: str, place: int, served: tuple[str, Records]) -> None:
    """A sentence about the hidden fault occurs in what came no more often than for a car without it.

    Lists of all that can be done or named hold it in both cases: they follow from the wiring diagram alone.
    """
    address, records = served
    given = read_exercise(shipped_exercises()[name])
    exercise = given.variant(place)
    came = walk(address, records, shipped_exercises()[name].read_text(encoding="utf-8"), given, place)
    usual = usual_walk(address, records, name)
    assert ((), ()) == (came.exceptions, usual.exceptions)
    assert exercise.work_order.customer in came.text, "the walk sees the exercise"
    assert "Amara" in came.text
    secrets = [
        *NEIGHBORS,
        NOTE,
        exercise.guide.why,
        *exercise.guide.wrong_turns,
        *exercise.guide.ask,
        *exercise.hints,
        *(other.why for other in exercise.others),
        *(answer.says for answer in exercise.answers.values()),  # the walk does not ask the customer
    ]
    assert [] == [secret for secret in secrets if secret in came.text]
    more = {text: (came.text.count(text), usual.text.count(text)) for text in _hidden_sentences(exercise)}
    assert {} == {text: counts for text, counts in more.items() if counts[0] > counts[1]}


def test_an_odd_address_leads_to_nobody_s_work_and_to_no_page_of_the_instructor(
    served: tuple[str, Records],
) -> None:
    """Numbers that are none, exercises of another class, keys of no student, another's bench."""
    address, records = served
    file = shipped_exercises()[NAMES[1]].read_text(encoding="utf-8")
    elsewhere = records.classes.open("Wednesday")
    records.students.join(elsewhere.join_code, NEIGHBORS[0])
    task = records.assignments.give(elsewhere.id, file)
    _, key = records.students.join(records.classes.open("Thursday").join_code, "Amara")
    odd = [{"student": key, "exercise": one} for one in (*ABSENT, str(task.id))]
    odd += [{"student": one, "exercise": str(task.id)} for one in ABSENT]
    odd += [{"student": key, "bench": one, "class": one, "attempt": one} for one in ABSENT]
    for page, fields in zip(cycle(("board", "replay", "exercise", "")), odd, strict=False):
        with Visitor(address, page, query(**fields), keeps=True) as stranger:
            came = "\n".join(_told(raw) for raw in stranger.received)
            assert [] == stranger.exceptions, fields
            assert {"exercise", "board", "replay"}.isdisjoint(stranger.pages)
        secrets = ("Wednesday", elsewhere.join_code, NEIGHBORS[0], "Left in storage")
        assert [] == [words for words in secrets if words in came], fields
    records.exams.release(task.id)


def test_the_server_gives_nothing_but_its_pages_to_a_plain_request(served: tuple[str, Records]) -> None:
    """No file of the program, of exercises or of the records; no other way in than a browser's."""
    address, _ = served
    known = "Everything in this exercise is invented", "SQLite format 3", "import streamlit", "join_code"
    for path in PATHS:
        told = fetched(f"{address}/{path}")
        assert [] == [words for words in known if words in told], path


def fetched(address: str) -> str:
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:
            return str(answer.read().decode("utf-8", "ignore"))
    except urllib.error.HTTPError as refused:
        return refused.read().decode("utf-8", "ignore")


def test_the_walk_would_find_a_leak(served: tuple[str, Records]) -> None:
    """What the instructor shows does reach the student, and the reading of messages finds it."""
    address, records = served
    file = shipped_exercises()[NAMES[1]].read_text(encoding="utf-8")
    group = records.classes.open("shown")
    _, key = records.students.join(group.join_code, "Bo")
    task = records.assignments.give(group.id, file)
    records.assignments.reveal(task.id)
    with Visitor(address, "exercise", query(student=key, exercise=str(task.id)), keeps=True) as visitor:
        came = "\n".join(_told(raw) for raw in visitor.received)
    assert "The instructor shows what is hidden: F2: missing" in came
