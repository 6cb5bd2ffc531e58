"""The page Replay says when a log was begun with another busbay, and when this one cannot replay it."""

from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest
from sqlalchemy import text

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from tests.ui.classroom_page import as_instructor, records_of_pages

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with pytest.MonkeyPatch.context() as patch, records_of_pages(tmp_path, patch) as one:
        yield one


def replay_page() -> None:
    from ui.views import replay

    replay.show()


def test_a_replay_says_when_the_version_differs(records: Records) -> None:
    """Nothing for this version; both versions for another; that it cannot be done for an unknown action."""
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, "Amara")
    records.attempts.begin(records.assignments.give(group.id, STORED), student.id).do("press start")
    now = version("busbay")

    def told(change: str) -> list[str]:
        with records.engine.begin() as connection:
            connection.execute(text(change))
        app = as_instructor(records, replay_page).run()
        assert not app.exception
        said = [one.value.replace("\\", "") for one in (*app.caption, *app.warning, *app.error)]
        return [words for words in said if now in words]

    assert [] == told("UPDATE attempts SET variant = 0")
    same = f"Begun with busbay 0.0.9, shown by {now}: every step takes the same labor time."
    assert [same] == told("UPDATE attempts SET program = '0.0.9'")
    (differs,) = told("UPDATE actions SET minutes = minutes + 1")
    assert f"Begun with busbay 0.0.9, shown by {now}: from step 1 on the car behaves differently" in differs
    (refused,) = told("UPDATE actions SET action = 'press accelerator'")
    assert refused.startswith(f"This log cannot be replayed by busbay {now}: ")
