"""Statements to a learning record store: by the standard's rules, and none lost while the store is away.

Checked against xAPI 1.0.3 (github.com/adlnet/xAPI-Spec, parts two and three) and, for the whole statement,
against the models of `ralph`, an independent learning record store.
"""

import json
import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from ralph.models.xapi.base.statements import BaseXapiStatement

from sim.catalogue import shipped_exercises
from sim.training.courier import Courier
from sim.training.outbox import FIRST_WAIT_S
from sim.training.record_store import TIMEOUT_S, RecordStore, checked
from sim.training.records import Records
from sim.training.rows import AssignmentRow, ClassRow, StudentRow
from sim.training.xapi import duration, score
from sim.vehicle.problems import Problem
from tests.training.lrs import SECRET, USERNAME, LearningRecordStore, learning_record_store

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
HOME = "https://school.example"
# part two, 4.6: ISO 8601:2004, section 4.4.3.2, of which a client uses no fraction but that of seconds
DURATION = re.compile(r"PT(\d+H)?(\d+M)?\d+(\.\d{1,2})?S")
# the verbs of ADL's vocabulary that are used here, registry.tincanapi.com and adlnet.gov/expapi/verbs
VERBS = {
    f"http://adlnet.gov/expapi/verbs/{one}"
    for one in ("attempted", "completed", "passed", "failed", "scored")
}


class Clock:
    """Time that passes when told to."""

    now_s = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def lrs() -> Iterator[LearningRecordStore]:
    with learning_record_store() as store:
        yield store


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def records(url: str, clock: Clock) -> Iterator[Records]:
    kept = Records(url, clock)
    yield kept
    kept.close()


@pytest.fixture
def kept(tmp_path: Path, clock: Clock) -> Iterator[Records]:
    """Records in a file of SQLite, where it is no question of the database."""
    kept = Records(f"sqlite:///{tmp_path}/class.sqlite", clock)
    yield kept
    kept.close()


def store_at(lrs: LearningRecordStore, version: str = "1.0.3", secret: str = SECRET) -> RecordStore:
    return RecordStore(f"{lrs.address}/", HOME, USERNAME, secret, version)


def a_class(records: Records, *, practice: bool = True) -> tuple[ClassRow, StudentRow, AssignmentRow]:
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, STORED, practice=practice, entry="02-left-in-storage")
    return group, student, task


def courier(records: Records) -> int:
    records.outbox.collect()
    return records.outbox.send()


def verbs(lrs: LearningRecordStore) -> list[str]:
    return sorted(one["verb"]["id"].rpartition("/")[2] for one in lrs.kept.values())


def check(statement: dict[str, Any]) -> None:
    """The rules of part two that a statement of ours has to keep."""
    BaseXapiStatement.model_validate(statement)
    assert str(UUID(statement["id"])) == statement["id"]  # 2.4.1
    assert {"homePage", "name"} == set(statement["actor"]["account"])  # 2.4.2.4
    assert "Agent" == statement["actor"]["objectType"]
    assert not {"mbox", "mbox_sha1sum", "openid"} & set(statement["actor"])  # one identifier, 2.4.2.1
    assert statement["verb"]["id"] in VERBS  # 2.4.3
    assert statement["object"]["id"].startswith(f"{HOME}/busbay/exercises/")  # an IRI, 2.4.4.1
    assert datetime.fromisoformat(statement["timestamp"]).tzinfo is not None  # 4.5
    assert UUID(statement["context"]["registration"])  # 2.4.6.1
    result = statement.get("result", {})
    if "score" in result:  # 2.4.5.1
        told = result["score"]
        assert -1 <= told["scaled"] <= 1
        assert told["min"] <= told["raw"] <= told["max"]
    if "duration" in result:
        assert DURATION.fullmatch(result["duration"])
    assert "version" not in statement  # 2.4.10: a client leaves it out
    assert None not in statement.values()  # 2.2: no null


@pytest.mark.parametrize("version", ["1.0.3", "2.0.0"])
def test_a_class_is_told_by_the_rules_of_the_standard(
    records: Records, lrs: LearningRecordStore, clock: Clock, version: str
) -> None:
    """Begun, handed in, judged and marked: each statement once, valid, with the headers of the version."""
    _, student, task = a_class(records)
    records.outbox.connect(store_at(lrs, version))
    work = records.attempts.begin(task, student.id)
    assert 1 == courier(records)
    clock.now_s += 754.5
    work.hand_in(["pull F2"])
    assert 2 == courier(records)
    clock.now_s += 60
    records.terms.review(work.id, {"plan": 1.0}, "well")
    assert (1, 0) == (courier(records), courier(records))
    assert ["attempted", "completed", "failed", "scored"] == verbs(lrs)
    for statement in lrs.kept.values():
        check(statement)
    (over,) = (one for one in lrs.kept.values() if one["verb"]["id"].endswith("completed"))
    assert "PT12M34.5S" == over["result"]["duration"]
    assert 1 == len({one["context"]["registration"] for one in lrs.kept.values()})
    for headers in lrs.headers:
        assert (version, "application/json") == (headers["X-Experience-Api-Version"], headers["Content-Type"])


def test_an_exam_is_judged_when_it_is_released(kept: Records, lrs: LearningRecordStore) -> None:
    """The school's platform shows students what it gets: before the release it gets no verdict."""
    _, student, task = a_class(kept, practice=False)
    kept.outbox.connect(store_at(lrs))
    kept.attempts.begin(task, student.id).hand_in(["pull F2"])
    courier(kept)
    assert ["attempted", "completed"] == verbs(lrs)
    assert "score" not in json.dumps(list(lrs.kept.values()))
    kept.exams.release(task.id)
    courier(kept)
    assert ["attempted", "completed", "failed"] == verbs(lrs)


@pytest.mark.parametrize("answer", [503, 500, 429, 302, 401])
def test_nothing_is_lost_while_the_store_is_away(
    kept: Records, lrs: LearningRecordStore, clock: Clock, answer: int
) -> None:
    """Whatever goes wrong, statements wait, are tried later, and arrive once; no redirect is followed."""
    _, student, task = a_class(kept)
    kept.outbox.connect(store_at(lrs))
    kept.attempts.begin(task, student.id)
    lrs.answers = [answer]
    assert 0 == courier(kept)
    state = kept.outbox.state()
    assert state is not None
    assert (1, 0) == (state.waiting, state.sent)
    assert str(answer) in state.problem
    assert 0 == courier(kept), "it is not tried again at once"
    clock.now_s += FIRST_WAIT_S
    assert 1 == courier(kept)
    assert ["attempted"] == verbs(lrs)


def test_what_happened_before_a_store_was_known_is_told(kept: Records, lrs: LearningRecordStore) -> None:
    """A store that is connected in the middle of the term gets all of it; desks at home stay out."""
    _, student, task = a_class(kept)
    kept.attempts.begin(task, student.id).hand_in(["pull F2"])
    alone, _ = kept.practice_alone()
    own = kept.assignments.give(alone.class_id, STORED, practice=True)
    kept.attempts.begin(own, alone.id)
    assert 0 == courier(kept)
    kept.outbox.connect(store_at(lrs))
    assert 3 == courier(kept)


def test_an_answer_that_was_lost_makes_nothing_double(
    kept: Records, lrs: LearningRecordStore, clock: Clock
) -> None:
    """The store has it, we do not know: the same number goes again, and there is one."""
    _, student, task = a_class(kept)
    kept.outbox.connect(store_at(lrs))
    kept.attempts.begin(task, student.id)
    lrs.loses_answers = True
    assert 0 == courier(kept)
    clock.now_s += FIRST_WAIT_S
    assert 1 == courier(kept)
    assert 1 == len(lrs.kept)


def test_one_statement_that_is_refused_holds_up_no_other(
    kept: Records, lrs: LearningRecordStore, clock: Clock
) -> None:
    """A store takes all or none of a request: the others go one by one, the refused one stays."""
    _, student, task = a_class(kept)
    kept.outbox.connect(store_at(lrs))
    kept.attempts.begin(task, student.id).hand_in(["pull F2"])
    kept.outbox.collect()
    with kept.engine.connect() as connection:
        number = connection.exec_driver_sql("SELECT id FROM statements WHERE verb = 'completed'").scalar_one()
    lrs.refused_ids = {number}
    assert 2 == kept.outbox.send()
    lrs.refused_ids = set()
    clock.now_s += FIRST_WAIT_S
    assert 1 == kept.outbox.send()
    assert 3 == len(lrs.kept)


def test_the_secret_is_shown_nowhere(kept: Records, lrs: LearningRecordStore) -> None:
    """Neither the state, nor a text of the store, nor a refusal has the secret in it."""
    store = store_at(lrs)
    kept.outbox.connect(store)
    assert SECRET not in f"{store!r} {kept.outbox.state()!r}"
    kept.outbox.connect(store_at(lrs, secret="a wrong secret"))
    _, student, task = a_class(kept)
    kept.attempts.begin(task, student.id)
    assert 0 == courier(kept)
    state = kept.outbox.state()
    assert state is not None
    assert "refuses name or secret" in state.problem
    assert "wrong secret" not in repr(state)
    kept.outbox.disconnect()
    assert kept.outbox.state() is None
    with kept.engine.connect() as connection:
        assert [] == connection.exec_driver_sql("SELECT * FROM record_stores").all()


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"endpoint": "ftp://x/y"}, "begins with https"),
        ({"endpoint": "https://me:pw@x/y"}, "no name, secret"),
        ({"home_page": "school"}, "address of the accounts"),
        ({"username": ""}, "the name has"),
        ({"secret": ""}, "the secret has"),
        ({"version": "1.1"}, "the version is"),
    ],
)
def test_what_is_no_store(changed: dict[str, str], sentence: str) -> None:
    """An address, a name or a version that cannot be one is refused in a sentence."""
    good = {"endpoint": "https://x/y", "home_page": HOME, "username": "a", "secret": "b", "version": "1.0.3"}
    with pytest.raises(Problem, match=sentence):
        checked(RecordStore(**(good | changed)))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "PT0S"),
        (1.234, "PT1.23S"),
        (60, "PT1M0S"),
        (3599.999, "PT1H0S"),
        (3661.5, "PT1H1M1.5S"),
        (-1, "PT0S"),
    ],
)
def test_durations_are_written_as_the_standard_says(seconds: float, words: str) -> None:
    """ISO 8601, to a hundredth of a second, no days (part two, 4.6)."""
    assert words == duration(seconds)
    assert DURATION.fullmatch(words)


def test_a_score_is_within_its_limits() -> None:
    """Scaled is between -1 and 1, raw between min and max, and these differ (part two, 2.4.5.1)."""
    assert {"scaled": 1.0, "raw": 20.0, "min": 0.0, "max": 20.0} == score(1.2, 20.0)
    assert {"scaled": 0.5} == score(0.5, 0.0)


def test_the_courier_takes_them_by_itself_and_ends_when_told(kept: Records, lrs: LearningRecordStore) -> None:
    """A thread sends what there is; a store that is away ends nothing."""
    _, student, task = a_class(kept)
    kept.outbox.connect(store_at(lrs))
    lrs.answers = [503]
    kept.attempts.begin(task, student.id)
    errand = Courier(kept.outbox, every_s=0.02)
    errand.start()
    until(lambda: not lrs.answers)
    with kept.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE statements SET next_try_s = 0")
    until(lambda: bool(lrs.kept))
    errand.stop()
    assert ["attempted"] == verbs(lrs)


def until(done: Callable[[], bool]) -> None:
    """Wait for what another thread does, at most as long as the store's client waits for an answer."""
    patience = threading.Event()
    end_s = time.monotonic() + 3 * TIMEOUT_S
    while not done():
        assert time.monotonic() < end_s
        patience.wait(0.02)
