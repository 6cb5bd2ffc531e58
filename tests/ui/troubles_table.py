"""What each page shows while the records are in trouble, and whether all is well afterwards.

    python -m tests.ui.troubles_table            # both databases, 30 s of every trouble
    python -m tests.ui.troubles_table --quick    # as the test does it

Each page is opened before the trouble by whom it is for, drawn again in the middle of it and asked to do
something; afterwards it comes back by itself. A row of the table is a page, a column a trouble: what the page
shows when it is drawn again, and what becomes of the work.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from sqlalchemy import text

from sim.catalogue import shipped_exercises
from sim.training.passphrase import Door
from sim.training.records import RECORDS_VARIABLE, Records
from tests.training.databases import emptied, new_database, postgresql_server
from tests.training.troubles import small_disk
from tests.ui.browser import free_port, server
from tests.ui.troubled_server import ALL, PATIENCE, SOCKET, command, in_trouble
from tests.ui.visitor import Visitor, query
from ui.errors import OTHERWISE, TITLE
from ui.state.classroom import COOKIE

PASSPHRASE = "correct horse battery"
FILES = [shipped_exercises()[name].read_text("utf-8") for name in ("02-left-in-storage", "01-first-scan")]
COMES_BACK_S = 60.0
LONG_S, PATIENT_S, QUICK_S = 30.0, 10.0, 0.3
LEGEND = """
What was pressed in the trouble, then the page when it is drawn again:
done: kept, before the answer was shown; refused: an error on the page tells why;
says so: the page of our own that tells why and comes back by itself; whole: the page, as without a trouble"""
DONE, FOREIGN_PAGE = "done", "FOREIGN"
FOREIGN = re.compile(r"Traceback|sqlalchemy|psycopg|OperationalError|sqlite3|\b(SELECT|INSERT|UPDATE) \w")
Who = Literal["visitor", "student", "instructor"]


@dataclass
class School:
    """A served class: its address and records, a student's key, the work of one and of another student."""

    address: str
    socket: Path
    records: Records
    code: str
    key: str
    token: str
    task_id: int
    over_id: int
    visits: dict[str, Visitor] = field(default_factory=dict)

    def visit(self, page: Page) -> Visitor:
        """A page in the hands of the person that it is for."""
        if page.name not in self.visits:
            asked, headers = "", {}
            if page.who == "student":
                asked = query(student=self.key, **({"exercise": self.task_id} if page.works else {}))
            if page.who == "instructor":
                headers = {"Cookie": f"{COOKIE}={self.token}"}
            visitor = self.visits[page.name] = Visitor(self.address, page.path, asked, headers=headers)
            visitor.__enter__()
            assert page.words in visitor.text, (page.name, visitor.text[:600])
        return self.visits[page.name]

    def leave(self, page: Page) -> None:
        """Close the window."""
        self.visits.pop(page.name).close()


Act = Callable[[Visitor, School, str], None]
Kept = Callable[[School], object]


@dataclass(frozen=True)
class Page:
    """A page, whom it is for, and words that it has when it is whole.

    `act`: what is done on it, with words that are new each time; `kept`: what changes in the records by it,
    None where nothing does. `works`: it is a student's exercise. `once`: what is done leaves the page.
    """

    name: str
    path: str
    who: Who
    words: str
    act: Act | None = None
    kept: Kept | None = None
    works: bool = False
    once: bool = False


def _filled(press: str, *fields: tuple[str, str]) -> Act:
    """Fill fields, where `*` is replaced by the new words and names of the school by what they are; press."""

    def act(visitor: Visitor, school: School, words: str) -> None:
        for key, value in fields:
            visitor.fill(key.format(school=school), value.format(school=school, words=words))
        visitor.press(press)

    return act


def _pressed(*keys: str) -> Act:
    """Press the first of these buttons that is there."""

    def act(visitor: Visitor, school: School, words: str) -> None:
        visitor.press(next(key for key in keys if visitor.has(key)))

    return act


def _rows(table: str) -> Kept:
    def count(school: School) -> object:
        with school.records.engine.connect() as connection:
            return connection.scalar(text(f"SELECT count(*) FROM {table}"))

    return count


PAGES: tuple[Page, ...] = (
    Page("Start", "", "visitor", "dark"),
    Page("Bay", "bay", "visitor", "Seat", _pressed("wait 1")),
    Page("Lab", "lab", "visitor", "What if"),
    Page("Handbook", "handbook", "visitor", "Sentences"),
    Page(
        "Learn", "join", "visitor", "At home, alone",
        _filled("Join", ("join_code", "{school.code}"), ("join_name", "{words}")), _rows("students"),
        once=True,
    ),
    Page(
        "Teach", "instructor", "visitor", "Forgotten?",
        _filled("Sign in", ("passphrase", PASSPHRASE)), _rows("tokens"), once=True,
    ),
    Page(
        "My jobs", "desk", "student", "name of the second",
        _filled("Keep it", ("partner_name", "{words}")),
        lambda school: school.records.students.with_key(school.key).partner,
    ),
    Page("Exercise", "exercise", "student", "Seat", _pressed("wait 1"), _rows("actions"), works=True),
    Page("Curriculum", "curriculum", "instructor", "To learn"),
    Page(
        "Classes", "classes", "instructor", "name of a new class",
        _filled("Open it", ("class_name", "{words}")), _rows("classes"),
    ),
    Page(
        "Board", "board", "instructor", "a message",
        _filled("Send it", ("say_words", "{words}")), _rows("messages"),
    ),
    Page(
        "Results", "results", "instructor", "One attempt",
        _filled("Keep the marks", ("comment_{school.over_id}", "{words}")),
        lambda school: [one.comment for one in school.records.terms.of_class(1).cells.values()],
    ),
    Page("Replay", "replay", "instructor", "whose log", _pressed("replay_last")),
    Page("Author", "author", "instructor", "Begin from it"),
    Page("Teach, inside", "instructor", "instructor", "The latest sign-in attempts"),
)  # fmt: skip


@contextmanager
def own_disk(folder: Path) -> Iterator[str]:
    """The URL of records in a file on a disk of its own."""
    disk = folder / "disk"
    disk.mkdir()
    with small_disk(disk):
        (disk / "records").mkdir()
        yield f"sqlite:///{disk}/records/classes.sqlite"


@contextmanager
def served(url: str, folder: Path, patience_s: float) -> Iterator[School]:
    """A front end over empty records, with a class, an exercise in progress and one that is handed in."""
    records = Records(url)
    Door(records.engine).set_passphrase(PASSPHRASE)
    group = records.classes.open("Tuesday")
    amara, key = records.students.join(group.join_code, "Amara")
    aaron, _ = records.students.join(group.join_code, "Aaron")  # the first on the page of results
    tasks = [records.assignments.give(group.id, file) for file in FILES]
    over = records.attempts.begin(tasks[0], aaron.id)
    over.do("scan")
    over.hand_in(["pull F2"])
    records.attempts.begin(tasks[0], amara.id)
    port, socket = free_port(), folder / "troubles"
    token = Door(records.engine).open(PASSPHRASE, at_this_computer=True)
    settings = {
        RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder), SOCKET: str(socket), PATIENCE: str(patience_s),
    }  # fmt: skip
    with server(port, command(port), **settings):
        school = School(
            f"http://127.0.0.1:{port}", socket, records, group.join_code, key, token, tasks[0].id, over.id
        )  # fmt: skip
        yield school
        for visitor in school.visits.values():
            visitor.close()
    records.close()


def walk(
    school: School, trouble: str, lasts_s: float = 0.0, pages: Sequence[Page] = PAGES
) -> dict[str, Shown]:
    """Go through pages in a trouble and after it: what each has shown."""
    before = {page.name: page.kept(school) for page in pages if page.kept}
    for page in pages:
        school.visit(page)
    school.records.engine.dispose()  # a disk on which a file is open cannot be made read-only
    begun_s, table = time.monotonic(), {}
    with in_trouble(school.socket, trouble):
        for page in pages:
            table[page.name] = _in_trouble(school, page, f"{trouble} {page.name}")
        time.sleep(max(0.0, lasts_s - (time.monotonic() - begun_s)))
    for page in pages:
        table[page.name].was_kept = page.kept is None or page.kept(school) != before[page.name]
    for page in pages:
        table[page.name].is_back = _is_back(school, page, f"{trouble} again")
    return table


@dataclass
class Shown:
    """What a page has shown: after a click and when it was drawn again in the trouble; how it ended.

    `clicked` is empty where there was nothing to click.
    """

    clicked: str
    drawn: str
    was_kept: bool = True
    is_back: bool = False

    @property
    def wrong(self) -> str:
        """What was wrong; empty where all is well."""
        if FOREIGN_PAGE in (self.clicked, self.drawn):
            return "A FOREIGN ERROR PAGE"
        if self.clicked == DONE and not self.was_kept:
            return "LOST"
        return "" if self.is_back else "NOT BACK"

    @property
    def short(self) -> str:
        """In one or two words: the click, the page when it is drawn again, and what was wrong."""
        words = (one.partition(":")[0] for one in (self.clicked, self.drawn) if one)
        return self.wrong or ", ".join(words)

    def __str__(self) -> str:
        return "; ".join(filter(None, (self.clicked, f"page: {self.drawn}", self.wrong)))


def _in_trouble(school: School, page: Page, words: str) -> Shown:
    visitor, clicked = school.visit(page), ""
    if page.act is not None:
        page.act(visitor, school, words)
        clicked = _told(visitor, DONE)
    if not (page.once and clicked == DONE):
        visitor.go(page.path if page.path in visitor.pages else "")
    return Shown(clicked, _told(visitor, "whole"))


def _told(visitor: Visitor, otherwise: str) -> str:
    """The reason that a page tells, or that it is not one of ours."""
    plain = visitor.text.replace("\\", "")
    if visitor.exceptions or OTHERWISE in plain or FOREIGN.search(plain):
        return FOREIGN_PAGE
    if TITLE in plain:
        return f"says so: {plain[plain.index(TITLE) + len(TITLE) :].strip().partition('. ')[0]}"
    alerts = [one.body.replace("\\", "") for one in visitor.all("alert")]
    refused = [words for words in alerts if re.search("|".join(why for _, why in ALL.values()), words)]
    return f"refused: {refused[0]}" if refused else otherwise


def comes_back(visitor: Visitor) -> bool:
    """Whether a page that tells a trouble does so no longer after what it does by itself for a while."""
    last_s = time.monotonic() + COMES_BACK_S
    while TITLE in visitor.text and time.monotonic() < last_s:
        visitor.repeat()
        time.sleep(0.2)
    return TITLE not in visitor.text


def _is_back(school: School, page: Page, words: str) -> bool:
    """Whether the page is whole again by itself, and what is done on it is kept."""
    visitor = school.visit(page)
    if not comes_back(visitor):
        return False
    if page.words not in visitor.text:
        school.leave(page)
        visitor = school.visit(page)
    is_whole = page.words in visitor.text
    before = page.kept(school) if page.kept else None
    if page.act is not None:
        page.act(visitor, school, words)
    if page.once:
        school.leave(page)
    return is_whole and (page.kept is None or before != page.kept(school)) and not visitor.exceptions


def main() -> int:
    """Print what each page shows, and the table of each database; 1 if anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="short troubles, short patience")
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as folder, own_disk(Path(folder)) as url:
        tables = {"SQLite": _tables("SQLite", url, Path(folder), quick)}
    with tempfile.TemporaryDirectory() as folder, postgresql_server() as found:
        url = emptied(new_database(found))
        tables["PostgreSQL"] = _tables("PostgreSQL", url, Path(folder), quick)
    print("\n".join(_summary(name, table) for name, table in tables.items()), LEGEND, sep="\n")
    return int(any(one.wrong for table in tables.values() for by in table.values() for one in by.values()))


def _tables(name: str, url: str, folder: Path, quick: bool) -> dict[str, dict[str, Shown]]:
    """What each page has shown, by trouble; printed as it comes."""
    tables = {}
    with served(url, folder, QUICK_S if quick else PATIENT_S) as school:
        for trouble in ALL:
            begun_s = time.monotonic()
            tables[trouble] = walk(school, trouble, 0.0 if quick else LONG_S)
            print(f"\n{name}, {trouble} ({time.monotonic() - begun_s:.0f} s)")
            for page, shown in tables[trouble].items():
                print(f"  {page:14} {shown}", flush=True)
    return tables


def _summary(name: str, tables: dict[str, dict[str, Shown]]) -> str:
    """A table of a row for each page and a column for each trouble."""
    head = f"\n{name:14}" + "".join(f"{trouble:>19}" for trouble in tables)
    rows = (
        f"{page.name:14}" + "".join(f"{by[page.name].short:>19}" for by in tables.values()) for page in PAGES
    )
    return "\n".join((head, *rows))


if __name__ == "__main__":
    sys.exit(main())
