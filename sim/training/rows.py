"""What the records tell: a frozen row for each thing that a page shows. Times: seconds since 1970 (UTC)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClassRow:
    """A class. Students join with its code while it is open. `news` counts what its students were told.

    `weights`: of the rubric's criteria, as JSON; None: as they are by default. `opened_by`: the number of the
    instructor; None: it is not known.
    """

    id: int
    name: str
    join_code: str
    opened_s: float
    closed_s: float | None = None
    private: bool = False
    paused: bool = False
    by_approval: bool = False
    news: int = 0
    weights: str | None = None
    opened_by: int | None = None


@dataclass(frozen=True, slots=True)
class StudentRow:
    """A student of a class; `admitted`: let in by the list or the instructor.

    `outside_id`: what the school's platform knows the student by. `partner`: who works at the same desk.
    `hand_up_s`: since when the student asks for the instructor.
    """

    id: int
    class_id: int
    name: str
    joined_s: float
    admitted: bool = True
    outside_id: str = ""
    partner: str = ""
    hand_up_s: float | None = None


@dataclass(frozen=True, slots=True)
class DeedRow:
    """What an instructor, `who`, has done in a class; `student`, `exercise`: what it is about, if any."""

    done_s: float
    who: str
    words: str
    exercise: str
    student: str | None


@dataclass(frozen=True, slots=True)
class AssignmentRow:
    """An exercise given to a class. `varied`: neighbors get different faults for the same work order.

    `revealed`: its solution is shown now; `shown_s`: when it was first shown. `practice` False: an exam, with
    its begin and end and the time when all were shown how it went. `entry`: its name in the library; `place`:
    in the order of the class; `points`: in the gradebook; `withdrawn_s`: when it was taken back.
    """

    id: int
    class_id: int
    exercise: str
    practice: bool
    varied: bool
    assigned_s: float
    revealed: bool = False
    shown_s: float | None = None
    begins_s: float | None = None
    due_s: float | None = None
    released_s: float | None = None
    entry: str = ""
    place: float = 0.0
    points: float = 100.0
    withdrawn_s: float | None = None
    topic: str = ""
    car: str = ""
    level: int = 1
    aim_min: float = 0.0


@dataclass(frozen=True, slots=True)
class TaskRow:
    """An exercise on a student's desk and how far it is; `complete`: None until the student may know.

    `after_showing`: the class had seen the solution before this was handed in. `late`: after the end.
    """

    assignment: AssignmentRow
    attempt_id: int | None
    steps: int
    minutes: float
    complete: bool | None
    credit: float | None
    after_showing: bool = False
    handed_in: bool = False
    late: bool = False


@dataclass(frozen=True, slots=True)
class ClassNotice:
    """What a student's page asks for again and again: is the class paused, and is there anything new?

    `news` counts up with everything that the instructor changes or says.
    """

    paused: bool
    news: int


@dataclass(frozen=True, slots=True)
class MessageRow:
    """Words of the instructor to one student, or to the whole class (`student_id` None).

    `assignment_id`: the exercise that they are about; `hint`: the number of its hint that they give.
    """

    id: int
    class_id: int
    student_id: int | None
    words: str
    sent_s: float
    assignment_id: int | None = None
    hint: int | None = None


@dataclass(frozen=True, slots=True)
class BoardRow:
    """Where one student is. `signs`: reasons to go and ask, in words; empty while all goes well.

    `after_showing`: the class had seen the solution before this was handed in. `hand_up_s`: for how long the
    student has asked for the instructor.
    """

    student_id: int
    student: str
    attempt_id: int | None
    exercise: str
    steps: int
    minutes: float
    hints: int
    last_action: str
    quiet_s: float
    complete: bool | None
    credit: float | None
    signs: tuple[str, ...]
    after_showing: bool = False
    late: bool = False
    released: bool = True
    hand_up_s: float | None = None


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """An attempt that can be replayed, and whose it is."""

    attempt_id: int
    class_id: int
    student: str
    exercise: str


def shown_before(shown_s: float | None, handed_in_s: float | None) -> bool:
    """Whether the solution was shown before the hand-in; an open attempt counts as handed in later."""
    return shown_s is not None and (handed_in_s is None or shown_s < handed_in_s)


def is_late(due_s: float | None, handed_in_s: float | None) -> bool:
    """Whether something was handed in after the end."""
    return due_s is not None and handed_in_s is not None and handed_in_s > due_s
