"""The tables in which a class is kept. Times are seconds since 1970 (UTC)."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    false,
    true,
)  # fmt: skip
from sqlalchemy.schema import SchemaItem

metadata = MetaData()


def _table(name: str, *columns: SchemaItem) -> Table:
    return Table(name, metadata, *columns)


def _needed(name: str, kind: Any, **more: Any) -> Column[Any]:
    return Column(name, kind, nullable=False, **more)


def _yes_or_no(name: str) -> Column[Any]:
    return _needed(name, Boolean, server_default=false())


def _words(name: str, longest: int) -> Column[Any]:
    """A text that may be empty."""
    return _needed(name, String(longest), server_default="")


def _own_number() -> Column[Any]:
    return Column("id", Integer, primary_key=True)


def _belongs_to(table: str, column: str, nullable: bool = False) -> Column[Any]:
    key = ForeignKey(f"{table}.id", ondelete="CASCADE")
    return Column(column, Integer, key, nullable=nullable, index=True)


def _of_attempt() -> Column[Any]:
    return Column("attempt_id", Integer, ForeignKey("attempts.id", ondelete="CASCADE"), primary_key=True)


def _number_in_attempt() -> Column[Any]:
    return Column("number", Integer, primary_key=True, autoincrement=False)


about = _table("about", _needed("version", Integer))
classes = _table(
    "classes",
    _own_number(),
    _needed("name", String(80)),
    _needed("join_code", String(12), unique=True),
    _needed("opened_s", Float),
    Column("closed_s", Float),
    _yes_or_no("private"),  # a class of one person who practices at home
    _yes_or_no("paused"),
    _yes_or_no("by_approval"),  # who is not on the list waits until the instructor lets them in
    # counts up with everything that the instructor lets the class know, so that one row tells of all news
    _needed("news", Integer, server_default="0"),
    Column("weights", Text),  # of the rubric, as JSON; none: all criteria count as they do by default
    Column("opened_by", Integer),  # the instructor; none: before instructors were told apart
)
students = _table(
    "students",
    _own_number(),
    _belongs_to("classes", "class_id"),
    _needed("name", String(60)),
    _needed("key_hash", String(64), unique=True),
    _needed("joined_s", Float),
    _needed("name_key", String(200), server_default=""),  # the name without the difference of letter case
    _needed("admitted", Boolean, server_default=true()),
    Column("browser_hash", String(64)),  # of the cookie of the browser that joined
    _words("outside_id", 120),  # what the school's platform knows the student by
    _words("partner", 60),  # who works at the same desk
    Column("pin_hash", String(200)),
    Column("hand_up_s", Float),  # since when the student asks for the instructor
    UniqueConstraint("class_id", "name"),
    Index("one_name_in_a_class", "class_id", "name_key", unique=True),
)
# of students who came back by their PIN, on a shared computer
visits = _table(
    "visits",
    Column("key_hash", String(64), primary_key=True),
    _belongs_to("students", "student_id"),
    _needed("until_s", Float),
)
class_lists = _table(
    "class_lists",
    _own_number(),
    _belongs_to("classes", "class_id"),
    _needed("name", String(60)),
    _needed("name_key", String(200)),
    _words("outside_id", 120),
    UniqueConstraint("class_id", "name_key"),
)
assignments = _table(
    "assignments",
    _own_number(),
    _belongs_to("classes", "class_id"),
    _needed("exercise", String(120)),
    _needed("file", Text),
    _needed("practice", Boolean),
    _needed("varied", Boolean),
    _needed("assigned_s", Float),
    _yes_or_no("revealed"),
    Column("shown_s", Float),  # when the class first saw the solution, however soon it was hidden again
    Column("begins_s", Float),  # of an exam; none: when it is given
    Column("due_s", Float),  # what is handed in later is late; none: no end
    Column("released_s", Float),  # when all may see how an exam went
    _words("entry", 60),  # its name in the library, if it was given from there
    _needed("place", Float, server_default="0"),  # in the order of the class
    _needed("points", Float, server_default="100"),  # in the gradebook
    Column("withdrawn_s", Float),  # when it was taken back
    _words("topic", 60),  # these four as the file has them, to be read without reading files
    _words("car", 60),
    _needed("level", Integer, server_default="1"),
    _needed("aim_min", Float, server_default="0"),
)
attempts = _table(
    "attempts",
    _own_number(),
    _belongs_to("students", "student_id", nullable=True),
    _belongs_to("assignments", "assignment_id", nullable=True),
    _needed("file", Text),
    _needed("variant", Integer),
    _needed("practice", Boolean),
    _needed("begun_s", Float),
    Column("released_s", Float),  # when this student may see how an exam went
    # of an older database: attempts that arose twice; 0 is the one that counts
    _needed("superseded", Integer, server_default="0"),
    _words("program", 40),  # the version of busbay that it was begun with; empty: before versions were kept
    Index("one_attempt_each", "student_id", "assignment_id", "superseded", unique=True),
)
actions = _table(
    "actions",
    _of_attempt(),
    _number_in_attempt(),
    _needed("action", Text),
    _needed("minutes", Float),
    _needed("done_s", Float),
    _needed("taken_back", Boolean, default=False),
    _words("by_whom", 60),  # of two at one desk; empty: the student
)
notes = _table(
    "notes",
    _own_number(),
    _belongs_to("attempts", "attempt_id"),
    _needed("note", Text),
    _needed("written_s", Float),
)
hints = _table("hints", _of_attempt(), _number_in_attempt(), _needed("taken_s", Float))
results = _table(
    "results",
    _of_attempt(),
    _needed("named", Text),
    _needed("evidence", Text),
    _needed("complete", Boolean),
    _needed("credit", Float),
    _needed("minutes", Float),
    _needed("cost", Float),
    _needed("handed_in_s", Float),
    Column("rubric", Text),  # each criterion from 0 to 1, as JSON
)
# what an instructor says of an attempt: criteria that are marked otherwise than the rules do, and a comment
reviews = _table(
    "reviews",
    _of_attempt(),
    _needed("marks", Text),
    _needed("comment", Text),
    _needed("written_s", Float),
    _words("by_whom", 60),  # the instructor
)
messages = _table(
    "messages",
    _own_number(),
    _belongs_to("classes", "class_id"),
    _belongs_to("students", "student_id", nullable=True),  # none: to the whole class
    _needed("words", Text),
    _needed("sent_s", Float),
    _belongs_to("assignments", "assignment_id", nullable=True),  # none: not about an exercise
    Column("hint", Integer),  # the number of the hint that this gives
)
# of instructors: the first, with number 1, may have no name, and all others have one
passphrases = _table(
    "passphrases",
    Column("id", Integer, primary_key=True, autoincrement=False),
    _needed("hash", Text),
    _words("name", 60),
    _needed("name_key", String(200), server_default=""),
    Index("one_instructor_of_a_name", "name_key", unique=True),
)
# who teaches a class beside the one who opened it
co_teachers = _table(
    "co_teachers",
    Column("class_id", Integer, ForeignKey("classes.id", ondelete="CASCADE"), primary_key=True),
    Column("instructor_id", Integer, primary_key=True, autoincrement=False),
)
# what instructors have decided in a class
deeds = _table(
    "deeds",
    _own_number(),
    _belongs_to("classes", "class_id"),
    _belongs_to("students", "student_id", nullable=True),  # none: it is not about one student
    _needed("who", String(60)),  # the instructor, as the door knew the name then
    _words("exercise", 120),  # its title; it may be taken back later
    _needed("words", Text),
    _needed("done_s", Float),
)
# tries at the door by where they come from, since the last right one
knocks = _table(
    "knocks",
    Column("source", String(80), primary_key=True),
    _needed("tries", Integer),
    _needed("wrong_in_a_row", Integer),
    _needed("tried_s", Float),
    _needed("closed_until_s", Float),
)
logins = _table(
    "logins",
    _own_number(),
    _needed("tried_s", Float, index=True),
    _needed("source", String(80)),
    _needed("outcome", String(12)),
    _words("name", 60),  # of who was let in
)
tokens = _table(
    "tokens",
    Column("token_hash", String(64), primary_key=True),
    _needed("until_s", Float),
    _needed("instructor_id", Integer, server_default="1"),
)
# a learning record store outside, by its address
record_stores = _table(
    "record_stores",
    Column("id", Integer, primary_key=True, autoincrement=False),
    _needed("endpoint", String(500)),
    _needed("home_page", String(500)),  # the accounts of students are of this address
    _needed("username", String(200)),
    _needed("secret", Text),
    _needed("version", String(10)),
    Column("reached_s", Float),
    _needed("problem", Text),  # why the last sending failed; empty while all is well
)
# what the store outside is told, kept until it has it
statements = _table(
    "statements",
    Column("id", String(36), primary_key=True),
    _belongs_to("attempts", "attempt_id"),
    _needed("verb", String(20)),
    _needed("body", Text),
    _needed("made_s", Float),
    Column("sent_s", Float),
    _needed("tries", Integer, server_default="0"),
    _needed("next_try_s", Float, server_default="0"),
    _needed("problem", Text),
    UniqueConstraint("attempt_id", "verb"),
)
