"""The instructor's door: memory-hard hash, wrong tries slowed down and written down."""

import os
import threading
from collections import Counter
from functools import partial

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type
from sqlalchemy import text

from sim.training.passphrase import (
    FREE_TRIES,
    KEPT_LOGINS,
    LONGEST_WAIT_S,
    STAYS_OPEN_S,
    Door,
    WrongPassphrase,
    source_of,
)
from sim.training.records import Records
from sim.training.schema import logins
from sim.training.store import writing
from sim.vehicle.problems import Problem

KNOCKS = int(os.environ.get("BUSBAY_KNOCKS", "60"))
RIGHT = "correct horse battery"


class Clock:
    """Time that passes when told to."""

    def __init__(self) -> None:
        self.now_s = 1_000_000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def door(records: Records, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Door:
    """A door whose hash costs little: what the real one costs has its own test."""
    quick = partial(PasswordHasher, time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr("sim.training.passphrase.PasswordHasher", quick)
    made = Door(records.engine, clock)
    made.set_passphrase(RIGHT)
    return made


def test_the_right_one_opens_and_a_wrong_one_does_not(door: Door) -> None:
    """The right passphrase gives a valid token, a wrong one is refused and logged."""
    door.open(RIGHT, "127.0.0.1")
    with pytest.raises(WrongPassphrase, match="that is not the passphrase") as refused:
        door.open("correct horse batterY", "127.0.0.1")
    assert 0.0 == refused.value.wait_s
    assert ["wrong", "right"] == [outcome for _, _, outcome in door.tries()]


def test_a_token_is_valid_until_its_day_or_its_visit_ends(door: Door, clock: Clock) -> None:
    """A token ends with its day or when its visit ends."""
    one, other = door.open(RIGHT), door.open(RIGHT)
    assert one != other
    assert door.knows(one)
    assert not door.knows("")
    door.leave(one)
    assert (False, True) == (door.knows(one), door.knows(other))
    clock.now_s += STAYS_OPEN_S
    assert not door.knows(other)


def test_a_new_passphrase_ends_all_visits(door: Door) -> None:
    """Changing the passphrase makes all tokens invalid."""
    token = door.open(RIGHT)
    door.set_passphrase("another long one", old=RIGHT)
    assert not door.knows(token)


def test_the_hash_is_memory_hard_and_the_words_are_nowhere(records: Records) -> None:
    """RFC 9106, second recommended option: Argon2id, 3 passes, 64 MiB, 4 lanes."""
    Door(records.engine).set_passphrase(RIGHT)
    with records.engine.connect() as connection:
        known = connection.execute(text("SELECT hash FROM passphrases")).scalar_one()
    found = extract_parameters(known)
    assert (Type.ID, 3, 65536, 4) == (found.type, found.time_cost, found.memory_cost, found.parallelism)
    assert RIGHT not in known


def test_to_change_it_takes_the_old_one(door: Door) -> None:
    """A passphrase is changed only with the old one."""
    with pytest.raises(WrongPassphrase):
        door.set_passphrase("another long one")
    door.set_passphrase("another long one", old=RIGHT)
    door.open("another long one")
    with pytest.raises(WrongPassphrase):
        door.open(RIGHT)


@pytest.mark.parametrize("bad", ["", "short", "x" * 201])
def test_a_passphrase_has_a_length(records: Records, bad: str) -> None:
    """A passphrase that is too short or too long is refused."""
    door = Door(records.engine)
    assert not door.has_passphrase
    with pytest.raises(Problem, match="a passphrase has 10 to 200 characters"):
        door.set_passphrase(bad)
    with pytest.raises(Problem, match="no passphrase has been set yet"):
        door.open(bad)


def test_a_thousand_wrong_tries_are_slowed_and_written_down(door: Door, clock: Clock) -> None:
    """One try a second for a thousand seconds: fourteen are looked at, all are in the log."""
    for _ in range(1000):
        with pytest.raises(WrongPassphrase):
            door.open("password123", "10.0.0.7")
        clock.now_s += 1.0
    outcomes = Counter(outcome for _, source, outcome in door.tries(2000) if source == "10.0.0.7")
    assert 1000 == outcomes.total()
    assert outcomes["wrong"] <= FREE_TRIES + 9 + 1000 / LONGEST_WAIT_S
    assert 1000 - outcomes["wrong"] == outcomes["closed"]


def test_at_a_closed_door_the_right_one_waits_too(door: Door, clock: Clock) -> None:
    """While the door is closed even the right passphrase is refused."""
    for _ in range(FREE_TRIES + 3):
        with pytest.raises(WrongPassphrase) as refused:
            door.open("password123")
        clock.now_s += refused.value.wait_s
    clock.now_s -= 1.0
    with pytest.raises(WrongPassphrase, match="wait 1 s"):
        door.open(RIGHT)
    clock.now_s += 1.0
    door.open(RIGHT)
    with pytest.raises(WrongPassphrase) as refused:
        door.open("password123")
    assert 0.0 == refused.value.wait_s, "a right one starts the count anew"


def test_the_wait_doubles_and_has_an_end(door: Door, clock: Clock) -> None:
    """Each further wrong try doubles the wait up to its limit."""
    waits = []
    for _ in range(FREE_TRIES + 11):
        with pytest.raises(WrongPassphrase) as refused:
            door.open("password123")
        waits.append(refused.value.wait_s)
        clock.now_s += refused.value.wait_s
    assert [0.0] * (FREE_TRIES - 1) == waits[: FREE_TRIES - 1]
    assert [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 300.0, 300.0] == waits[FREE_TRIES - 1 : -1]


def test_what_is_much_too_long_is_wrong_at_once(door: Door) -> None:
    """A passphrase far too long is wrong without being hashed."""
    with pytest.raises(WrongPassphrase):
        door.open("x" * 10_000_000, "y" * 500)
    assert 80 == len(door.tries()[0][1])


def test_the_log_does_not_grow_without_end(door: Door, records: Records) -> None:
    """The log of tries keeps a fixed number of the latest ones."""
    row = {"tried_s": 1.0, "source": "", "outcome": "wrong"}
    with writing(records.engine) as connection:
        connection.execute(logins.insert(), [row] * (KEPT_LOGINS + 50))
    door.open(RIGHT)
    assert KEPT_LOGINS == len(door.tries(KEPT_LOGINS * 2))


def test_the_door_is_closed_to_one_source_and_open_to_another(door: Door) -> None:
    """Wrong tries from one address shut out neither another address nor this computer."""
    for _ in range(FREE_TRIES + 3):
        with pytest.raises(WrongPassphrase):
            door.open("password123", "10.0.0.7")
    with pytest.raises(WrongPassphrase, match="wait 1 s"):
        door.open(RIGHT, "10.0.0.7")
    door.open(RIGHT, "10.0.0.8")
    for _ in range(FREE_TRIES + 3):
        with pytest.raises(WrongPassphrase, match=r"that is not the passphrase$"):
            door.open("password123", "127.0.0.1", at_this_computer=True)
    door.open(RIGHT, "127.0.0.1", at_this_computer=True)


@pytest.mark.parametrize(
    ("address", "source"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("a proxy", "a proxy"),
    ],
)
def test_what_tries_are_counted_by(address: str, source: str) -> None:
    """RFC 4291: the last 64 bits of an IPv6 address are its holder's to choose; RFC 5737, 3849: examples."""
    assert source == source_of(address)


def test_a_clock_set_back_neither_shuts_out_nor_keeps_in(door: Door, clock: Clock) -> None:
    """A year back: the door opens after its wait, and a token of the year to come is no longer valid."""
    token = door.open(RIGHT, "10.0.0.8")
    for _ in range(FREE_TRIES + 3):
        with pytest.raises(WrongPassphrase) as refused:
            door.open("password123", "10.0.0.7")
        clock.now_s += refused.value.wait_s
    with pytest.raises(WrongPassphrase) as refused:
        door.open("password123", "10.0.0.7")
    clock.now_s -= 365 * 24 * 3600
    with pytest.raises(WrongPassphrase, match=f"wait {refused.value.wait_s:.0f} s"):
        door.open(RIGHT, "10.0.0.7")
    assert not door.knows(token)
    clock.now_s += refused.value.wait_s
    assert door.knows(door.open(RIGHT, "10.0.0.7"))


def test_many_wrong_tries_at_once_are_all_counted(records: Records) -> None:
    """Of many at once few are looked at, and all are counted; `BUSBAY_KNOCKS=1000` is the long run."""
    door = Door(records.engine)
    door.set_passphrase(RIGHT)
    outcomes: Counter[str] = Counter()
    barrier = threading.Barrier(KNOCKS)

    def knock() -> None:
        barrier.wait()
        try:
            door.open("password123", "10.0.0.7")
        except WrongPassphrase as refused:
            outcomes["closed" if str(refused).startswith("too many wrong tries") else "wrong"] += 1

    threads = [threading.Thread(target=knock) for _ in range(KNOCKS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert KNOCKS == outcomes.total() == door.tries_from("10.0.0.7")
    assert outcomes == Counter(outcome for _, _, outcome in door.tries(KNOCKS + 1))
    assert outcomes["wrong"] <= FREE_TRIES + 9
    door.open(RIGHT, "127.0.0.1", at_this_computer=True)
    assert KNOCKS == door.tries_from("10.0.0.7"), "another source"


# -- several instructors -----------------------------------------------------------------------------------


def test_each_instructor_has_a_name_and_a_passphrase_of_their_own(door: Door) -> None:
    """A passphrase opens with its own name only; a name that is not known is refused in the same words."""
    ines = door.add("Ines Duarte", "the second passphrase")
    assert ines == door.who(door.open("the second passphrase", name="ines  duarte"))
    assert door.who(door.open(RIGHT)).is_first
    for said, name in (("the second passphrase", ""), (RIGHT, "Ines Duarte"), (RIGHT, "Nemo")):
        with pytest.raises(WrongPassphrase, match=r"^that is not the passphrase$"):
            door.open(said, "far", name=name)
    assert 3 == door.tries_from("far")
    with pytest.raises(Problem, match="an instructor of this name already"):
        door.add("INES DUARTE", "a third passphrase")


def test_a_name_does_not_get_round_the_wait(door: Door) -> None:
    """Tries count by where they come from, under whatever names, and a closed door is closed to all names."""
    door.add("Ines", "the second passphrase")
    for number in range(FREE_TRIES + 1):
        with pytest.raises(WrongPassphrase):
            door.open("wrong", "far", name=f"guess {number}")
    with pytest.raises(WrongPassphrase, match="too many wrong tries"):
        door.open("the second passphrase", "far", name="Ines")


def test_what_one_instructor_changes_ends_no_other_visit(door: Door) -> None:
    """A changed passphrase ends the visits of whose it is; who is removed is out at once."""
    ines = door.add("Ines", "the second passphrase")
    first, second = door.open(RIGHT), door.open("the second passphrase", name="Ines")
    door.set_passphrase("a better passphrase", "the second passphrase", name="Ines")
    assert (True, False) == (door.knows(first), door.knows(second))
    second = door.open("a better passphrase", name="Ines")
    door.remove(ines.id)
    assert (True, False) == (door.knows(first), door.knows(second))
    with pytest.raises(WrongPassphrase):
        door.open("a better passphrase", name="Ines")
    with pytest.raises(Problem, match="the first instructor stays"):
        door.remove(door.who(first).id)


def test_a_class_is_whose_who_opened_it_and_theirs_whom_it_is_shared_with(records: Records) -> None:
    """The first instructor has all classes; when an instructor goes, the classes are the first one's."""
    door = Door(records.engine)
    door.set_passphrase(RIGHT)
    ines, noor = door.add("Ines", "the second passphrase"), door.add("Noor", "the third passphrase")
    old = records.classes.open("Before")
    hers = records.classes.open("Evening", opened_by=ines.id)
    of = {"Ines": ines.id, "Noor": noor.id, "first": 1}

    def taught() -> dict[str, list[str]]:
        return {who: [one.name for one in records.classes.taught_by(number)] for who, number in of.items()}

    both = ["Evening", "Before"]
    assert {"Ines": both, "Noor": ["Before"], "first": both} == taught()
    records.classes.teach_together(hers.id, [noor.id])
    assert {"Ines": both, "Noor": both, "first": both} == taught()
    door.remove(ines.id)
    assert 1 == records.classes.get(hers.id).opened_by
    door.remove(noor.id)
    again = door.add("Noor", "the third passphrase")
    assert [old.name] == [one.name for one in records.classes.taught_by(again.id)]
