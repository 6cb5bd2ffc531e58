"""The instructor's pages over real websockets: who is let in, a class from its code to its results,
words that are no markup, files that are too large."""

import csv
import io
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim.catalogue import shipped_exercises
from sim.training.passphrase import Door
from sim.training.records import Records
from tests.ui.school import class_served
from tests.ui.test_pages import opened
from tests.ui.visitor import Visitor, query
from ui.state.classroom import NEWS_AGE_S
from ui.state.session import shipped_cars

PASSPHRASE = "correct horse battery"
NASTY = "<img src=x onerror=alert(1)> **b** [x](http://y)"
PICTURE = "![p](http://evil.example/p.png) [x](http://evil.example)"
FIRST = next(iter(shipped_exercises()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("instructor")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with class_served(folder) as served:
        yield served


@pytest.fixture(scope="module")
def records(folder: Path, address: str) -> Iterator[Records]:
    kept = Records(f"sqlite:///{folder}/classes.sqlite")
    yield kept
    kept.close()


@pytest.fixture
def instructor(address: str, records: Records) -> Iterator[Visitor]:
    """Somebody who has come in by the door; the first chooses the passphrase."""
    with Visitor(address, "instructor") as visitor:
        if visitor.has("new_again"):
            visitor.fill("new_passphrase", PASSPHRASE)
            visitor.fill("new_again", PASSPHRASE)
            visitor.press("Choose it")
        else:
            visitor.fill("passphrase", PASSPHRASE)
            visitor.press("Sign in")
        assert "classes" in visitor.pages
        yield visitor
        assert [] == visitor.exceptions


def alerts(visitor: Visitor) -> list[str]:
    return [one.body.replace("\\", "") for one in visitor.all("alert")]


def test_the_first_passphrase_is_typed_twice_and_long(address: str) -> None:
    """The first passphrase needs its length and the same text twice."""
    with Visitor(address, "instructor") as visitor:
        visitor.fill("new_passphrase", "short")
        visitor.fill("new_again", "short")
        visitor.press("Choose it")
        assert ["a passphrase has 10 to 200 characters (here: 5)"] == alerts(visitor)
        visitor.fill("new_again", PASSPHRASE)
        visitor.press("Choose it")
        assert ["the two passphrases differ"] == alerts(visitor)
        assert "classes" not in visitor.pages


def test_whoever_is_not_let_in_has_none_of_the_pages(address: str, instructor: Visitor) -> None:
    """Without the passphrase no instructor's page is in the registry."""
    inside = set(instructor.pages)
    with Visitor(address, "board") as visitor:
        assert {"curriculum", "classes", "board", "results", "replay", "author"} == inside - set(
            visitor.pages
        )
        assert "board_table" not in visitor.text
        visitor.go("instructor")
        visitor.fill("passphrase", "wrong horse battery")
        visitor.press("Sign in")
        assert ["that is not the passphrase"] == alerts(visitor)
        assert "classes" not in visitor.pages


def test_what_was_drawn_before_leaving_orders_nothing_after(
    address: str, instructor: Visitor, records: Records
) -> None:
    """A page that stays open in one window while the door is closed in another."""
    instructor.go("classes")
    instructor.fill("class_name", "Never")
    Door(records.engine).forget_passphrase()
    instructor.press("Open it")
    assert "Never" not in [group.name for group in records.classes.listed()]
    assert "classes" not in instructor.pages
    Door(records.engine).set_passphrase(PASSPHRASE)


def test_a_class_that_is_closed_and_opened_again_stays_chosen(instructor: Visitor, records: Records) -> None:
    """Closing and opening again is about the class that was chosen, also where another one is newer."""
    older, newer = records.classes.open("Older"), records.classes.open("Newer")
    instructor.go("classes")
    words = {one.split(" · ")[0]: one for one in _options(instructor, "class_id")}
    instructor.choose("class_id", words["Older"])
    for button, closed in (("close_class", True), ("reopen_class", False), ("close_class", True)):
        instructor.press(button)
        assert [] == alerts(instructor)
        assert closed is (records.classes.get(older.id).closed_s is not None)
        assert None is records.classes.get(newer.id).closed_s
        assert (f"{older.join_code[0]} {older.join_code[1]}" in instructor.text) is not closed
    for group in (older, newer):
        records.classes.delete(group.id)


def test_a_class_list_is_uploaded_and_admits(instructor: Visitor, records: Records) -> None:
    """Who is on it comes in with the platform's id, others wait; a file that is none changes nothing."""
    group = records.classes.open("By list")
    instructor.go("classes")
    words = {one.split(" · ")[0]: one for one in _options(instructor, "class_id")}
    instructor.choose("class_id", words["By list"])
    instructor.upload("class_list_file", "class.csv", "Name;ID\r\nAmara;u1\r\nWei;u2\r\n".encode("utf-8-sig"))
    instructor.press("take_list")
    assert ["Amara", "Wei"] == records.classes.names_on_list(group.id)
    amara, _ = records.students.join(group.join_code, "amara")
    stranger, _ = records.students.join(group.join_code, "Zoe")
    assert (True, "u1", False) == (amara.admitted, amara.outside_id, stranger.admitted)
    instructor.upload("class_list_file", "class.csv", b"\xff\xfe\x00")
    instructor.press("take_list")
    assert "this file is not text in UTF-8: save it again as CSV UTF-8" in alerts(instructor)
    assert ["Amara", "Wei"] == records.classes.names_on_list(group.id)
    records.classes.delete(group.id)


def test_an_exercise_is_given_from_the_curriculum(instructor: Visitor, records: Records) -> None:
    """From its lesson one button leads to the class, with the exercise chosen."""
    group = records.classes.open("From the curriculum")
    instructor.go("curriculum")
    instructor.press("to_a_class")
    words = {one.split(" · ")[0]: one for one in _options(instructor, "class_id")}
    instructor.choose("class_id", words["From the curriculum"])
    instructor.press("give")
    (given,) = records.assignments.of_class(group.id)
    assert FIRST == given.entry
    records.classes.delete(group.id)


def test_classes_of_one_name_are_told_apart(instructor: Visitor, records: Records) -> None:
    """Two classes of one name and day read differently, and the one that is pressed is meant."""
    first, second = records.classes.open("Twin"), records.classes.open("Twin")
    instructor.go("classes")
    twins = [one for one in _options(instructor, "class_id") if one.startswith("Twin")]
    assert 2 == len(set(twins))
    instructor.choose("class_id", min(twins, key=len))
    instructor.press("close_class")
    assert None is not records.classes.get(first.id).closed_s
    assert None is records.classes.get(second.id).closed_s
    for group in (first, second):
        records.classes.delete(group.id)


def _options(visitor: Visitor, key: str) -> list[str]:
    return list(next(one for one in visitor.all("selectbox") if one.id.endswith(f"-{key}")).options)


def test_a_class_from_its_code_to_its_results(address: str, instructor: Visitor, records: Records) -> None:
    """A class is opened, given an exercise, watched, closed and exported on the pages."""
    instructor.go("classes")
    instructor.fill("class_name", "Tuesday")
    instructor.press("Open it")
    group = records.classes.listed()[0]
    assert f"class code {' '.join(group.join_code)}" in instructor.text
    instructor.press("close_class")
    assert "closed to new students" in instructor.text
    instructor.press("reopen_class")
    assert f"class code {' '.join(group.join_code)}" in instructor.text
    names = list(next(one for one in instructor.all("multiselect")).options)
    instructor.choose("give_names", names[1])
    instructor.press("give")
    (task,) = records.assignments.of_class(group.id)
    student, key = records.students.join(group.join_code, NASTY)
    with Visitor(address, "exercise", query(student=key, exercise=str(task.id))) as amara:
        amara.press("wait 10")
        instructor.go("board")
        assert "&lt;img src=x onerror=alert(1)&gt;" in instructor.text.replace("\\", "")
        assert "1 step" in instructor.text
        instructor.press("pause")
        time.sleep(1.1 * NEWS_AGE_S)
        amara.repeat()
        assert "The class is paused" in amara.text
        instructor.press("go_on")
        instructor.press("hint_one")
        time.sleep(1.1 * NEWS_AGE_S)
        amara.repeat()
        assert "The instructor says" in amara.text
        amara.press("wait 1")
        instructor.repeat()
        assert "2 steps" in instructor.text
        assert [] == amara.exceptions
    attempt_id = records.assignments.desk(student.id)[0].attempt_id
    assert attempt_id is not None
    work = records.attempts.resume(attempt_id)
    work.hand_in(["pull F2"])
    rows = list(csv.DictReader(io.StringIO(records.export_csv(group.id)[1:])))
    assert [(NASTY, "Left in storage", "pull F2")] == [
        (row["student"], row["exercise"], row["named"]) for row in rows
    ]
    instructor.press("replay_one")
    assert "The car comes in" in instructor.text
    instructor.press("replay_next")
    assert "1 of 2: Wait 10 s" in instructor.text.replace("\\", "")
    assert "pull F2" not in instructor.text.partition("Handed in")[0]
    assert not instructor.has("replay_time"), "what is hidden is shown when it is asked for"
    instructor.tick("replay_hidden")
    assert instructor.has("replay_time") or "Nothing changed in this step." in instructor.text
    instructor.go("classes")
    instructor.tick(f"erase_sure_{group.id}_None")
    instructor.press("erase")
    assert group.id not in [one.id for one in records.classes.listed()]
    assert [] == records.assignments.desk(student.id)


def test_a_name_is_text_wherever_markdown_is_read(instructor: Visitor, records: Records) -> None:
    """A student's name with Markdown in it is shown as typed."""
    group = records.classes.open(NASTY)
    records.students.join(group.join_code, NASTY)
    for page in ("classes", "board"):
        instructor.go(page)
        for kind in ("markdown", "radio", "checkbox", "button", "alert"):
            for one in instructor.all(kind):
                told = str(one)
                assert "[x](http://y)" not in told
                assert "**b**" not in told
    records.classes.delete(group.id)


def test_what_a_student_writes_is_text_on_the_projector(instructor: Visitor, records: Records) -> None:
    """A saved report, a note and evidence with a picture and a link in them show neither on the replay."""
    group = records.classes.open("Written")
    file = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
    task = records.assignments.give(group.id, file, practice=True)
    work = records.attempts.begin(task, records.students.join(group.join_code, "Zoe")[0].id)
    work.do("scan")
    work.do(f"save {PICTURE}")
    work.note(PICTURE)
    work.hand_in(["pull F2"], PICTURE)
    instructor.go("replay")
    whose = next(one for one in _options(instructor, "replay_which") if one.startswith("Zoe"))
    instructor.choose("replay_which", whose)
    instructor.press("replay_last")
    assert "evil.example" in instructor.text, "it is there, as text"
    for kind in ("markdown", "alert", "radio", "checkbox", "button", "heading"):
        for one in instructor.all(kind):
            told = getattr(one, "body", "") or getattr(one, "label", "")
            assert "](http" not in told, told
    records.classes.delete(group.id)


def test_an_exercise_is_begun_from_another_changed_saved_and_given(
    address: str, instructor: Visitor, records: Records, folder: Path
) -> None:
    """An author copies an exercise, changes it, saves it under a new name and gives it."""
    group = records.classes.open("Authors")
    instructor.go("author")
    assert "Not yet an exercise" in " ".join(alerts(instructor))
    instructor.press("author_take")
    instructor.fill("draft_exercise", "Quite my own")
    instructor.fill("draft_file", FIRST)
    instructor.press("author_save")
    assert f"'{FIRST}' comes with busbay and is not overwritten" in " ".join(alerts(instructor))
    instructor.fill("draft_file", "../../escaped")
    instructor.press("author_save")
    assert "a file name is made of" in " ".join(alerts(instructor))
    instructor.fill("draft_file", "quite-mine")
    instructor.press("author_save")
    assert "exercise: Quite my own" in (folder / "busbay/exercises/quite-mine.yaml").read_text("utf-8")
    instructor.press("author_give")
    assert ["Quite my own"] == [one.exercise for one in records.assignments.of_class(group.id)]
    _, key = records.practice_alone()
    with Visitor(address, "desk", query(student=key)) as alone:
        assert alone.has(f"take {FIRST}")
        assert not alone.has("take quite-mine"), "it may be the exam of tomorrow"
    with Visitor(address, "instructor") as again:
        again.fill("passphrase", PASSPHRASE)
        again.press("Sign in")
        again.go("author")
        assert (
            "Quite my own" in [one.default for one in again.all("text_input")] or "Quite my own" in again.text
        )
    records.classes.delete(group.id)


def test_an_instructors_address_opens_no_bench(address: str, instructor: Visitor) -> None:
    """An address read off the projector leads to no car of the instructor, and a refresh still finds it."""
    with Visitor(address, "bay") as visitor:
        before = visitor.query
        assert "bench=" in before
        visitor.go("instructor")
        visitor.fill("passphrase", PASSPHRASE)
        visitor.press("Sign in")
        for page in ("bay", "author", "curriculum", "classes", "board", "results", "replay"):
            visitor.go(page)
            assert "bench=" not in visitor.query
        visitor.go("bay")
        visitor.press("wait 10")
        assert "30.1 s" in visitor.text
        with Visitor(address, "bay", before) as stranger:
            assert "30.1 s" not in stranger.text
            stranger.press("wait 60")
        visitor.go("author")
        visitor.go("bay")
        assert "30.1 s" in visitor.text, "what a stranger does there changes nothing here"
        visitor.go("instructor")
        visitor.press("leave_door")
        assert before.partition("bench=")[2] != visitor.query.partition("bench=")[2]
        assert [] == visitor.exceptions


def test_an_author_writes_several_faults_behind_the_same_words(instructor: Visitor) -> None:
    """Fields of a second fault are kept apart from the first, and both are in the file."""
    instructor.go("author")
    instructor.press("author_new")
    assert [
        "Not yet an exercise. Still to be written: title, topic, customer, what the customer says, "
        "what it teaches, why the car shows what it shows."
    ] == alerts(instructor)
    instructor.press("author_take")
    instructor.press("author_more")
    assert ["Not yet an exercise. Still to be written: fault 4: why the car shows what it shows."] == alerts(
        instructor
    )
    instructor.fill("draft_why 4", "Its fuse is out.")
    instructor.fill("draft_arrives 4", "pull F99")
    assert ["Not yet an exercise. fault 4, it arrives with, line 1: no fuse or relay 'F99'"] == [
        words.partition(" in this car")[0] for words in alerts(instructor)
    ]
    instructor.fill("draft_arrives 4", "pull F3")
    assert [] == alerts(instructor)
    instructor.choose("author_fault", "2")
    instructor.press("author_less")
    file = " ".join(one.code_text for one in instructor.all("code"))
    assert "open ABS.C1.3\n" in instructor.text
    assert "- pull F3\n" in file
    assert 2 == file.count("- arrives:")
    instructor.press("author_draft_undo")
    assert 3 == " ".join(one.code_text for one in instructor.all("code")).count("- arrives:")


def test_a_file_that_is_too_large_is_not_taken(address: str) -> None:
    """An upload beyond the limit is refused in one sentence."""
    with Visitor(address) as visitor:
        assert 413 == visitor.upload("own_car", "mine.yaml", b"x" * 1_100_000)
        assert 204 == visitor.upload("own_car", "photo.JPG", b"x" * 1_100_000)  # the field refuses its kind
        assert [] == [words for words in alerts(visitor) if "photo" in words]


def test_a_spoiled_file_is_told_in_one_sentence(address: str) -> None:
    """An uploaded exercise that is no exercise is refused with its reason."""
    with Visitor(address) as visitor:
        assert 204 == visitor.upload("own_car", "mine.yaml", b"car: [")
        assert "mine.yaml, line 1" in " ".join(alerts(visitor))
        assert [] == visitor.exceptions


def test_a_file_of_another_kind_is_never_read(address: str) -> None:
    """A browser does not offer it; whoever sends it all the same gets nothing from it."""
    text = next(iter(shipped_cars().values()))
    with Visitor(address) as visitor:
        visitor.upload("own_car", "mine.exe", text.encode())
        assert [] == [words for words in alerts(visitor) if "modules on" in words]
    with Visitor(address) as visitor:
        visitor.upload("own_car", "mine.yaml", text.encode())
        assert [] != [words for words in alerts(visitor) if "modules on" in words]


@pytest.mark.parametrize(
    "headers", [{}, {"X-Forwarded-For": "203.0.113.7"}, {"Forwarded": "for=203.0.113.7"}]
)
def test_no_first_passphrase_is_chosen_through_a_proxy(
    headers: dict[str, str], address: str, records: Records
) -> None:
    """On the same machine it makes everybody look near, but for what it adds to each request."""
    Door(records.engine).forget_passphrase()
    with Visitor(address, "instructor", headers=headers) as visitor:
        assert (not headers) is visitor.has("new_again")
        assert bool(headers) is ("run `busbay passphrase` there" in " ".join(alerts(visitor)))
    Door(records.engine).set_passphrase(PASSPHRASE)


def test_no_first_passphrase_is_chosen_where_others_can_reach_the_server(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Pages without a server have no address to be loopback, which is how Streamlit serves everybody."""
    monkeypatch.setattr(Door, "has_passphrase", False)
    app = opened("instructor")
    assert ["run `busbay passphrase` there" in one.value for one in app.warning] == [True]
    assert [] == list(app.text_input)
