"""Seeded random clicks over every page as visitor, student and instructor: no exception, not even from a hand
that chooses and presses before the answer is there.

Some dozens by default; `BUSBAY_CLICKS=2000` makes it the long run, `BUSBAY_SEED` another one. What starts
minutes of work in the lab is left out: pages of the lab have tests of their own.
"""

import json
import os
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sim.catalogue import shipped_exercises
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import front_end
from tests.ui.visitor import Visitor, query

CLICKS = int(os.environ.get("BUSBAY_CLICKS", "60"))
SEED = os.environ.get("BUSBAY_SEED", "1")
ROLES = ("visitor", "student", "instructor")
PASSPHRASE = "correct horse battery"
# minutes of work for the lab, and leaving
LONG = re.compile(r"author_check_it|what_if_play|play|_run|search|_go$|leave|next_check|suspects", re.I)
WORDS = (
    "", "unplug ECM", "pull F2", "scan", "-1", "1e999", "x" * 300, "<b>&", "*", "ünï\u200b", "look F3",
    "wait 1 h", "corrode G2 2 ohm", "\\", "[a](b)", "99999999999999999999",
)  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Records]]:
    folder: Path = tmp_path_factory.mktemp("clicks")
    url = f"sqlite:///{folder}/classes.sqlite"
    records = Records(url)
    settings = {RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder), "XDG_CACHE_HOME": str(folder)}
    with front_end(STREAMLIT_CLIENT_SHOW_ERROR_DETAILS="full", **settings) as address:
        yield address, records
    records.close()


def entered(role: str, address: str, records: Records) -> Visitor:
    """A visit as somebody in particular."""
    group = records.classes.open("clicks")
    names = list(shipped_exercises())
    task = records.assignments.give(group.id, shipped_exercises()[names[1]].read_text("utf-8"), practice=True)
    student, key = records.students.join(group.join_code, "Amara")
    if role == "student":
        return Visitor(address, "exercise", query(student=key, exercise=str(task.id)))
    if role == "visitor":
        return Visitor(address)
    records.attempts.begin(task, student.id).do("press start")
    return Visitor(address, "instructor")


def moves(visitor: Visitor, dice: random.Random) -> list[tuple[str, Callable[[], None]]]:
    """Everything that can be clicked, chosen or typed now."""
    found: list[tuple[str, Callable[[], None]]] = []
    for key in visitor.keys("button"):
        if not LONG.search(key):
            found.append((f"press {key}", lambda key=key: visitor.press(key)))
    for kind in ("selectbox", "radio", "multiselect", "button_group"):
        for one, key in zip(list(visitor.all(kind)), visitor.keys(kind), strict=False):
            options = [getattr(option, "content", option) for option in one.options]
            if options:
                option = dice.choice(options)
                found.append((f"choose {key}: {option}", lambda k=key, o=option: visitor.choose(k, o)))
    for kind in ("text_input", "text_area", "number_input"):
        for key in visitor.keys(kind):
            words = dice.choice(WORDS) if kind != "number_input" else dice.choice((0, 1, 2.5, 10))
            found.append((f"type into {key}: {words}", lambda k=key, w=words: visitor.fill(k, w)))
    for key in visitor.keys("checkbox"):
        on = dice.random() < 0.5
        found.append((f"tick {key}", lambda k=key, on=on: visitor.tick(k, on)))
    for one, key in zip(list(visitor.all("bidi_component")), visitor.keys("bidi_component"), strict=True):
        idents = re.findall(r'data-id=\\?"([^"\\]+)', json.loads(one.json or "{}").get("html", ""))
        if idents:
            ident = dice.choice(idents)
            found.append((f"pick {key}: {ident}", lambda k=key, i=ident: visitor.pick(k, i)))
    found += [(f"open {page}", lambda page=page: visitor.go(page)) for page in visitor.pages]
    return found


@pytest.mark.parametrize("role", ROLES)
def test_random_clicks_end_in_no_exception(role: str, served: tuple[str, Records]) -> None:
    """Any sequence of clicks and choices leaves a page without an exception."""
    address, records = served
    dice = random.Random(f"{role} {SEED}")
    done: list[str] = []
    with entered(role, address, records) as visitor:
        if role == "instructor":
            visitor.fill("new_passphrase", PASSPHRASE)
            visitor.fill("new_again", PASSPHRASE)
            visitor.press("Choose it")
        for _ in range(CLICKS // len(ROLES)):
            kind = dice.random()
            possible = moves(visitor, dice)
            pages = [move for move in possible if move[0].startswith("open ")]
            words, move = dice.choice(pages if kind < 0.15 or len(possible) == len(pages) else possible)
            visitor.waits = dice.random() < 0.6
            done.append(words)
            try:
                move()
            except Exception as error:
                raise AssertionError(f"{done[-5:]}: {error!r}") from error
            told = [f"{one.message} {list(one.stack_trace)[-4:]}" for one in visitor.all("exception")]
            assert [] == told, done[-5:]
            assert [] == visitor.exceptions, done[-5:]
