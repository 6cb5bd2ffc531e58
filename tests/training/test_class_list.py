"""A class list by CSV, students who come back by name and PIN, and shared computers."""

import pytest

from sim.catalogue import shipped_exercises
from sim.training.class_list import MOST_TOLD, Listed, read_class_list
from sim.training.passphrase import FREE_TRIES
from sim.training.pins import LASTS_S, UNKNOWN
from sim.training.records import Records
from sim.vehicle.problems import Problem

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")


class Clock:
    """Time that passes when told to."""

    now_s = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def records(url: str, clock: Clock) -> Records:
    return Records(url, clock)


@pytest.mark.parametrize(
    "text",
    [
        "Amara,u1\nWei,u2\n",
        "\ufeffname,id\r\nAmara,u1\r\nWei,u2\r\n",
        "ID;group;Student\nu1;A;Amara\n\nu2;B;  Wei \n",
        "name\tid\nAmara\tu1\nWei\tu2",
    ],
)
def test_lists_as_spreadsheets_write_them(text: str) -> None:
    """With and without a head, by comma, semicolon or tab, with a byte order mark and empty lines."""
    assert [Listed("Amara", "u1"), Listed("Wei", "u2")] == read_class_list(text)


def test_all_errors_of_a_list_are_told_at_once() -> None:
    """Each wrong line by its number; of very many errors the first ten and how many more."""
    with pytest.raises(Problem) as told:
        read_class_list(f"name,id\nAmara,u1\n,u2\nAMARA,u3\n{'x' * 61},u4\nBo,u1\n")
    assert [
        "line 3: the name of a student has 1 to 60 characters (here: 0)",
        "line 4: 'AMARA' is in line 2 already",
        "line 5: the name of a student has 1 to 60 characters (here: 61)",
        "line 6: the id 'u1' is in line 2 already",
    ] == told.value.what.split("; ")
    with pytest.raises(Problem, match="; and 3 more"):
        read_class_list("A\n" * (MOST_TOLD + 4))
    with pytest.raises(Problem, match="1 to 500 names"):
        read_class_list("name,id\n")


def test_a_list_admits_and_gives_the_ids(records: Records) -> None:
    """Who is on the list comes in with the platform's id; who was here already gets it, too."""
    group = records.classes.open("Tuesday")
    early, _ = records.students.join(group.join_code, "Wei")
    records.classes.take_list(group.id, [Listed("Amara", "u1"), Listed("WEI", "u2")])
    amara, _ = records.students.join(group.join_code, "amara")
    other, _ = records.students.join(group.join_code, "Zoe")
    assert (True, "u1", False) == (amara.admitted, amara.outside_id, other.admitted)
    assert "u2" == records.students.of_class(group.id)[0].outside_id
    records.classes.admit_by_list(group.id, True, ["Amara", "Bo"])
    again, _ = records.students.join(group.join_code, "Bo")
    assert (early.name, "") == ("Wei", again.outside_id)
    records.close()


def test_a_student_comes_back_by_name_and_pin(records: Records, clock: Clock) -> None:
    """Class code, name and PIN open the desk for a school day; the address of before stays valid."""
    group = records.classes.open("Tuesday")
    amara, key = records.students.join(group.join_code, "Amara")
    with pytest.raises(Problem, match=UNKNOWN):
        records.pins.come_back(group.join_code, "Amara", "")
    records.pins.choose(amara.id, "2468")
    found, visit = records.pins.come_back(group.join_code.lower(), "  AMARA ", "2468")
    assert [amara.id] * 3 == [
        found.id,
        records.students.with_key(visit).id,
        records.students.with_key(key).id,
    ]
    with records.engine.connect() as connection:
        kept = connection.exec_driver_sql("SELECT pin_hash FROM students").scalar_one()
    assert kept.startswith("$argon2id$")
    _, second = records.pins.come_back(group.join_code, "Amara", "2468")
    records.pins.leave(second)
    clock.now_s += LASTS_S + 1
    for gone in (visit, second):
        with pytest.raises(Problem, match="no such student"):
            records.students.with_key(gone)
    records.close()


def test_a_new_key_ends_the_visits_by_pin_too(records: Records) -> None:
    """An address that was seen on a shared computer opens nothing after the instructor made a new one."""
    group = records.classes.open("Tuesday")
    amara, _ = records.students.join(group.join_code, "Amara")
    records.pins.choose(amara.id, "2468")
    _, seen = records.pins.come_back(group.join_code, "Amara", "2468")
    assert amara.id == records.students.with_key(records.students.new_key(amara.id)).id
    with pytest.raises(Problem, match="no such student"):
        records.students.with_key(seen)
    records.close()


@pytest.mark.parametrize("pin", ["12", "123456789", "12a4", "１２３４"])
def test_what_is_no_pin(records: Records, pin: str) -> None:
    """A PIN has four to eight digits."""
    group = records.classes.open("Tuesday")
    amara, _ = records.students.join(group.join_code, "Amara")
    with pytest.raises(Problem, match="4 to 8 digits"):
        records.pins.choose(amara.id, pin)
    records.close()


def test_wrong_pins_are_counted_by_student(records: Records, clock: Clock) -> None:
    """After some wrong tries even the right PIN waits; another student of the computer does not."""
    group = records.classes.open("Tuesday")
    for name, pin in (("Amara", "2468"), ("Wei", "1357")):
        records.pins.choose(records.students.join(group.join_code, name)[0].id, pin)
    for _ in range(FREE_TRIES):
        with pytest.raises(Problem, match=UNKNOWN):
            records.pins.come_back(group.join_code, "Amara", "0000")
    with pytest.raises(Problem, match="wait 1 s"):
        records.pins.come_back(group.join_code, "Amara", "2468")
    assert "Wei" == records.pins.come_back(group.join_code, "Wei", "1357")[0].name
    clock.now_s += 1.1
    assert "Amara" == records.pins.come_back(group.join_code, "Amara", "2468")[0].name
    records.close()


def test_a_shared_computer_blocks_no_practice(records: Records, clock: Clock) -> None:
    """Who has handed the exam in at this computer holds up no one of another class who practices later."""
    morning, evening = records.classes.open("Morning"), records.classes.open("Evening")
    practice = records.assignments.give(evening.id, STORED, practice=True)
    records.classes.take_list(evening.id, [Listed("Zoe", "")])  # their instructor knows who she is
    zoe, _ = records.students.join(evening.join_code, "Zoe", browser="shared")
    clock.now_s += 60.0
    exam = records.assignments.give(morning.id, STORED)
    amara, _ = records.students.join(morning.join_code, "Amara", browser="shared")
    work = records.attempts.begin(exam, amara.id)
    assert records.exams.is_held_back(zoe.id, practice.id), "she could look for her own second name"
    work.hand_in(["pull F2"])
    assert not records.exams.is_held_back(zoe.id, practice.id)
    records.close()
