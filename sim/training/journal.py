"""What instructors decided in a class, and who of them: released, marked otherwise, let in, took back.

An entry about a student goes with the student, as everything of a person does that is erased.

Not modeled: what was only looked at.
"""

from __future__ import annotations

from sqlalchemy import select

from sim.training.rows import DeedRow
from sim.training.schema import assignments, deeds, students
from sim.training.store import Store, insert, writing

MOST_SHOWN = 300
LONGEST_DEED = 300


class Journal:
    """What was decided in all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def note(
        self,
        class_id: int,
        who: str,
        words: str,
        student_id: int | None = None,
        assignment_id: int | None = None,
    ) -> None:
        """Write down what an instructor has done in a class, and the student and exercise it is about."""
        row = {
            "class_id": class_id, "student_id": student_id, "who": who, "words": words[:LONGEST_DEED],
            "done_s": self._store.clock(),
        }  # fmt: skip
        title = select(assignments.c.exercise).where(assignments.c.id == assignment_id)
        with writing(self._store.engine) as connection:
            insert(connection, deeds, {**row, "exercise": connection.scalar(title) or ""})

    def of_class(self, class_id: int, most: int = MOST_SHOWN) -> list[DeedRow]:
        """What was done in a class, the latest first."""
        wanted = (
            select(
                deeds.c.done_s, deeds.c.who, deeds.c.words, deeds.c.exercise, students.c.name.label("student")
            )
            .outerjoin(students, students.c.id == deeds.c.student_id)
            .where(deeds.c.class_id == class_id)
            .order_by(deeds.c.id.desc())
            .limit(most)
        )
        return self._store.rows(DeedRow, wanted)
