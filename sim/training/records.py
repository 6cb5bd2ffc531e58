"""What a class has done, kept so that nothing acknowledged is ever lost.

    records = Records("sqlite:///class.sqlite")
    group = records.classes.open("Tuesday")
    student, key = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, find_exercise_text("01-first-scan"))
    work = records.attempts.begin(task, student.id)
    step = work.do("key run")            # on disk before it comes back

Not modeled: several servers that work on the same attempt at the same time without catching up.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from sqlalchemy import Engine

from sim.paths import data_folder
from sim.training.assignments import Assignments, Notices
from sim.training.board import board
from sim.training.classes import Classes, Students
from sim.training.exams import Exams
from sim.training.journal import Journal
from sim.training.kept_attempts import Attempts
from sim.training.outbox import Outbox
from sim.training.pins import PinStore
from sim.training.results_csv import gradebook_csv, results_csv
from sim.training.rows import BoardRow, StudentRow
from sim.training.store import Store, connected
from sim.training.term import Terms

RECORDS_VARIABLE = "BUSBAY_RECORDS"  # environment variable with the URL of the records


def records_url() -> str:
    """The URL of the records: the one in BUSBAY_RECORDS, or that of a file in the user's data folder."""
    return os.environ.get(RECORDS_VARIABLE) or f"sqlite:///{data_folder()}/classes.sqlite"


class Records:
    """The records of all classes in one database, by what they are about."""

    def __init__(self, url: str, clock: Callable[[], float] = time.time) -> None:
        self._store = Store(connected(url), clock)
        self.classes = Classes(self._store)
        self.students = Students(self._store)
        self.pins = PinStore(self._store)
        self.assignments = Assignments(self._store)
        self.exams = Exams(self._store)
        self.notices = Notices(self._store)
        self.attempts = Attempts(self._store)
        self.terms = Terms(self._store, self.attempts)
        self.outbox = Outbox(self._store)
        self.journal = Journal(self._store)

    @property
    def engine(self) -> Engine:
        """The database."""
        return self._store.engine

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def practice_alone(self) -> tuple[StudentRow, str]:
        """A student who practices at home, in a class of one that is closed to others, and the key to it."""
        group = self.classes.open("at home", private=True)
        student, key = self.students.join(group.join_code, "you")
        self.classes.close(group.id)
        return student, key

    def board(self, class_id: int) -> list[BoardRow]:
        """Where every student of a class is."""
        here = [one for one in self.students.of_class(class_id) if one.admitted]
        return board(self._store, here, self.students.same_browser(class_id))

    def export_csv(self, class_id: int) -> str:
        """The results of a class as comma-separated values, a line per student and exercise."""
        return results_csv(self.terms.of_class(class_id))

    def gradebook_csv(self, class_id: int) -> str:
        """The points of a class as comma-separated values, a line per student."""
        return gradebook_csv(self.terms.of_class(class_id))
