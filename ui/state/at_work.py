"""An exercise in the bay: a customer's car whose every action is in the records before it is shown.

`?exercise=` in the address names what the student works on, so that a refresh, a restart of the server or
another machine finds it again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import sha256

import streamlit as st

from sim.bench.observations import OBSERVATION_VERBS
from sim.instruments.follow_up import FollowUp
from sim.instruments.inspection import Inspection
from sim.training.answers import car_to_answer_for
from sim.training.exams import HELD_BACK
from sim.training.hand_in import normal_causes
from sim.training.jobs import WorkStep
from sim.training.kept_attempts import KeptAttempt
from sim.training.library import Entry
from sim.training.rows import AssignmentRow, ClassNotice, MessageRow, StudentRow
from sim.training.step_words import step_words
from sim.vehicle.problems import Problem
from ui.state import classroom, kept
from ui.state.held import NO_PAUSE_AFTER, Held, Report
from ui.state.next_step import SEAT, Done
from ui.state.turns import shared
from ui.state.visible import Visible, all_visible, visible_to_student

EXERCISE = "exercise"  # in the address
CAUSES, EVIDENCE = "causes", "evidence"  # what is kept of them
LOOK_EVERY_S = 3.0  # for notices of the instructor
PANELS_KIND = "panels"
PAUSED = "the class is paused: wait until the instructor continues it"


@dataclass(kw_only=True)
class AtWork(Held):
    """A student's attempt in the bay; `taken_back`: what the last rewind took away, to be done again."""

    work: KeptAttempt
    student: StudentRow
    assignment: AssignmentRow
    messages: list[MessageRow]
    signal: ClassNotice
    steps: list[WorkStep] = field(default_factory=list)  # of the last work
    taken_back: list[str] = field(default_factory=list)
    causes: tuple[str, ...] = ()  # named so far, for the hand-in

    @property
    def is_over(self) -> bool:
        """Whether it is handed in."""
        return self.work.attempt.result is not None

    @property
    def may_be_told(self) -> bool:
        """Whether the student may see how it went: an exam only when it is released."""
        return self.is_over and classroom.records().exams.is_released(self.work.id)

    def begin_work(self) -> None:
        """Forget what the last work said and showed."""
        super().begin_work()
        self.steps = []

    @property
    def may_act(self) -> bool:
        """Whether the class is not paused."""
        return not self.signal.paused

    def visible(self) -> Visible:
        """What the student has found; everything when it is over and told, or if the instructor shows it."""
        if self.assignment.revealed or self.may_be_told:
            return all_visible(self.bench)
        return visible_to_student(self.work.attempt)

    def do(self, text: str, report: Report) -> str:
        """Do one action; it is in the records before anything of it is shown."""
        self.check_not_paused()
        try:
            step = self.work.do(text, report)
        finally:
            self.bench = self.work.attempt.bench
        self.steps.append(step)
        self.taken_back = []
        if step.verb in OBSERVATION_VERBS and not step.vain:
            self.notebook.note(self.bench)
        return f"{step.action}: {words}" if (words := step_words(step)) else step.action

    def last_done(self, visible: Visible) -> Done | None:
        """The last step, with its labor time; a wait that followed it by itself counts with it."""
        steps = self.work.attempt.steps
        if not steps:
            return None
        pause = len(steps) > 1 and steps[-1].verb == "wait" and steps[-2].verb in SEAT
        step = steps[-2] if pause else steps[-1]
        minutes = step.minutes + (steps[-1].minutes if pause else 0.0)
        words = step_words(step)
        if not words and step.verb in SEAT:
            words = f"{visible.seat.told} · ignition {visible.seat.ignition}"
        return Done(
            step.action, step.verb, step.part or step.action.partition(" ")[2], words, minutes, step.cost,
            bool(step.vain), *self._suggested(step),
        )  # fmt: skip

    def _suggested(self, step: WorkStep) -> tuple[tuple[str, ...], tuple[FollowUp, ...]]:
        """The repairs of what an inspection has found, and the checks that a reading suggests."""
        last = next(reversed(self.notebook.of(self.bench)), None)
        if last is None or last.result.action != step.action or step.vain:
            return (), ()
        seen = last.result
        return seen.repairs if isinstance(seen, Inspection) else (), self.follow_ups()

    def pauses_after(self, verb: str) -> bool:
        """Whether time passes after an action: after the driver's controls, not after work at the car."""
        return verb not in (*NO_PAUSE_AFTER, "edit")

    def stand_as_before(self, report: Report) -> None:
        """Go back to what the records have, after work that could not be carried out."""
        self.work = classroom.records().attempts.resume(self.work.id)
        self.bench = self.work.attempt.bench

    def put_away(self) -> None:
        """Do nothing: the records have it already."""

    def has_news(self) -> bool:
        """Whether the instructor has said, paused, shown or erased anything since the page was drawn."""
        try:
            return classroom.signal_of(self.assignment.class_id) != self.signal
        except Problem:
            return True

    def take_in_news(self) -> None:
        """Take in what the instructor has said, paused or shown."""
        records = classroom.records()
        self.signal = classroom.signal_of(self.assignment.class_id)
        self.messages = records.notices.messages(self.student.id)
        self.work.attempt.given_hints = records.attempts.given_hints(self.work.id)
        self.assignment = _assignment(self.student, self.assignment.id)
        if not self.is_over:
            self.work.attempt.practice = self.assignment.practice

    def check_not_paused(self) -> None:
        """Raise `Problem` if the class is paused, or has this as an exam now."""
        if classroom.signal_of(self.assignment.class_id).paused:
            raise Problem(PAUSED)
        if classroom.is_held_back(self.student.id, self.assignment.id):
            raise Problem(HELD_BACK)


@st.cache_data(max_entries=1000, show_spinner=False)
def _is_private(class_id: int) -> bool:
    return classroom.records().classes.get(class_id).private


def is_alone(student: StudentRow) -> bool:
    """Whether a student practices at home, where no instructor is."""
    return _is_private(student.class_id)


def name_causes(held: AtWork, causes: Sequence[str]) -> None:
    """Put causes on the list for the hand-in; a refresh gives it back."""
    held.causes = tuple(causes)
    kept.keep(CAUSES, _causes_key(held.student, held.work), json.dumps(held.causes))


def _kept_causes(student: StudentRow, work: KeptAttempt) -> tuple[str, ...]:
    """The list as it was kept; empty if it is no list of causes for this car."""
    with suppress(ValueError, Problem):
        known = json.loads(kept.kept(CAUSES, _causes_key(student, work)) or "[]")
        if isinstance(known, list) and known:
            named = [str(text) for text in known]
            return normal_causes(named, car_to_answer_for(work.attempt.exercise.whole_car, named))
    return ()


def keep_evidence(held: AtWork, text: str) -> None:
    """Keep how the student knows what was wrong; a refresh gives it back."""
    kept.keep(EVIDENCE, _causes_key(held.student, held.work), text)


def _kept_evidence(student: StudentRow, work: KeptAttempt) -> str:
    return kept.kept(EVIDENCE, _causes_key(student, work)) or ""


def forget_drafts(students: Iterable[StudentRow]) -> None:
    """Erase what students have not handed in yet."""
    for student in students:
        for kind in (CAUSES, EVIDENCE):
            kept.forget(kind, _key_of(student))


def _causes_key(student: StudentRow, work: KeptAttempt) -> str:
    """A key of this attempt in these records: other records have an attempt of the same number."""
    return f"{_key_of(student)}-{work.id}"


def _key_of(student: StudentRow) -> str:
    return sha256(f"{student.id} {student.joined_s}".encode()).hexdigest()[:40]


# -- beginning and leaving ---------------------------------------------------------------------------------


def begin(assignment_id: int) -> None:
    """Work on an exercise from the next run on; for callbacks of buttons."""
    lay_down()
    st.query_params[EXERCISE] = str(assignment_id)
    st.session_state.to_the_exercise = True
    st.session_state.part = None  # what was chosen on another car is not chosen on this one


def begin_entry(student: StudentRow, entry: Entry) -> None:
    """Put an exercise of the curriculum on the desk of a student who practices alone, and begin it."""
    if entry.name in classroom.exercises_in_exams((entry.name,)):
        st.session_state.desk_problem = HELD_BACK
        return
    begin(classroom.records().assignments.give(student.class_id, entry.text, practice=True).id)


def next_entry(held: AtWork) -> Entry | None:
    """For who practices alone: what comes after this exercise and was not begun; none in a class."""
    if not is_alone(held.student):
        return None
    begun = {task.assignment.exercise for task in classroom.records().assignments.desk(held.student.id)}
    known = [entry for entry in classroom.library().entries() if not entry.own]
    in_exams = classroom.exercises_in_exams(tuple(entry.name for entry in known))
    titles = [entry.exercise.exercise for entry in known]
    here = titles.index(held.assignment.exercise) if held.assignment.exercise in titles else -1
    following = (*known[here + 1 :], *known[: here + 1])
    open_ones = (one for one in following if one.exercise.exercise not in begun and one.name not in in_exams)
    return next(open_ones, None)


def lay_down() -> None:
    """Go back to the desk; the exercise stays as it is."""
    if st.session_state.pop("work", None) is not None:
        st.session_state.pop("held", None)
    st.query_params.pop(EXERCISE, None)


def take_up() -> None:
    """Take up the exercise that the address names, if this session does not have it yet."""
    held: AtWork | None = st.session_state.get("work")
    student, named = classroom.student(), classroom.asked_for(EXERCISE)
    if student is None:
        lay_down()
        return
    if held is not None:
        st.query_params[EXERCISE] = str(held.assignment.id)
    if held is not None or named is None:
        return
    if not is_alone(student):
        shared.class_is_here()
    try:
        with st.spinner("The car rolls into the bay ...", show_time=True):
            st.session_state.work = _taken_up(student, named)
        st.session_state.jobs = []
        st.session_state.pop("panel_kept", None)
        st.session_state.evidence = _kept_evidence(student, st.session_state.work.work)
        st.session_state.panel = kept.kept(PANELS_KIND, _panel_key()) or "Order"
    except Problem as problem:
        st.query_params.pop(EXERCISE, None)
        st.session_state.desk_problem = str(problem)


def keep_panel() -> None:
    """Keep which panel is open, for a reload."""
    panel = st.session_state.get("panel", "")
    if panel and st.session_state.get("panel_kept") != panel:
        kept.keep(PANELS_KIND, _panel_key(), panel)
        st.session_state.panel_kept = panel


def _panel_key() -> str:
    held: AtWork = st.session_state.work
    return f"attempt-{held.work.id:08d}"


def _taken_up(student: StudentRow, assignment_id: int) -> AtWork:
    records = classroom.records()
    assignment = _assignment(student, assignment_id)
    signal = records.notices.latest(student.class_id)
    work = records.attempts.begin(assignment, student.id)
    return AtWork(
        key="", car_name=work.attempt.exercise.car, car_text="", bench=work.attempt.bench,
        job=assignment.exercise, work=work, student=student, assignment=assignment,
        messages=records.notices.messages(student.id), signal=signal, causes=_kept_causes(student, work),
    )  # fmt: skip


def _assignment(student: StudentRow, assignment_id: int) -> AssignmentRow:
    for given in classroom.records().assignments.of_class(student.class_id):
        if given.id == assignment_id:
            return given
    raise Problem("this exercise is not among your jobs")


# -- work that is no action at the car -----------------------------------------------------------------------


def hint(held: Held, report: Report, number: int) -> None:
    """Take a hint by its number: two clicks on one button take, and cost, one.

    A hint that the instructor has just given is not sold.
    """
    assert isinstance(held, AtWork)
    held.work.attempt.given_hints = classroom.records().attempts.given_hints(held.work.id)
    if held.work.attempt.next_hint == number:
        held.work.hint()
    held.said = "Hint taken"


def note(held: Held, report: Report, text: str) -> None:
    """Write something down."""
    assert isinstance(held, AtWork)
    held.work.note(text)
    held.said = "noted"


def rewind(held: Held, report: Report, keep: int) -> None:
    """In practice, go back to after the first `keep` steps."""
    assert isinstance(held, AtWork)
    taken_back = list(held.work.attempt.log[keep:])
    held.work.rewind(keep)
    held.taken_back = taken_back
    held.bench = held.work.attempt.bench
    held.said = f"back to after step {keep}" if keep else "back to the start"


def hand_in(held: Held, report: Report, named: Sequence[str], evidence: str) -> None:
    """Name the causes and end the exercise."""
    assert isinstance(held, AtWork)
    held.check_not_paused()
    held.work.hand_in(tuple(named), evidence)
    keep_evidence(held, "")  # the records have it now
    held.said = "handed in"
