"""What a class sees of an instructor's pages on the projector: the way in, and where each student is."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from tests.ui.classroom_page import as_instructor, records_of_pages
from tests.ui.drawn import has_drawn

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Records]:
    with records_of_pages(tmp_path, monkeypatch) as one:
        group = one.classes.open("Tuesday")
        student, _ = one.students.join(group.join_code, "Amara")
        work = one.attempts.begin(one.assignments.give(group.id, STORED, practice=True), student.id)
        work.hand_in(["pull F5"])
        yield one


def board_page() -> None:
    import streamlit as st

    from ui.views import board

    st.session_state.setdefault("entries", {})
    board.show()


def classes_page() -> None:
    from ui.views import classes

    classes.show()


def on_the_projector(records: Records, page) -> AppTest:  # type: ignore[no-untyped-def]
    app = as_instructor(records, page)
    app.session_state["projector"] = True
    app.run()
    assert not app.exception
    return app


def test_the_board_on_the_projector_has_no_marks_and_no_help_for_the_instructor(records: Records) -> None:
    """A mark is for its student, and hints and solutions are for the instructor's own screen."""
    own = as_instructor(records, board_page).run()
    assert {"hint_all", "reveal"} <= {one.key for one in own.button}
    shown = on_the_projector(records, board_page)
    assert {"pause"} == {one.key for one in shown.button}
    assert (True, False) == (has_drawn(own, "handed in, 0 %"), has_drawn(shown, "handed in, 0 %"))
    assert has_drawn(shown, "Amara")


def test_the_classes_on_the_projector_are_the_way_in(records: Records) -> None:
    """The code and the exercises, but no student's data, no list of who may join and nothing to change."""
    shown = on_the_projector(records, classes_page)
    assert has_drawn(shown, " ".join(records.classes.listed()[0].join_code))
    assert has_drawn(shown, "Left in storage")
    assert [] == [one.label for one in (*shown.expander, *shown.button, *shown.warning)]
    records.classes.close(records.classes.listed()[0].id)
    assert [] == [one.label for one in on_the_projector(records, classes_page).button]


def door_page() -> None:
    from ui.views import door

    door.show()


def test_a_try_to_sign_in_is_told_in_words(records: Records) -> None:
    """How the latest tries ended is read by an instructor, not by the program."""
    shown = as_instructor(records, door_page).run()
    assert not shown.exception
    assert (True, False) == (has_drawn(shown, "<td>signed in"), has_drawn(shown, "<td>right"))
