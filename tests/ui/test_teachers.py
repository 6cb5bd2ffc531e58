"""Several instructors on the pages: who sees which class, who shares one, who adds and removes others."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from sim.training.passphrase import Door
from sim.training.records import Records
from tests.ui.classroom_page import PASSPHRASE, PATIENCE_S, as_instructor, records_of_pages


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with pytest.MonkeyPatch.context() as patch, records_of_pages(tmp_path, patch) as one:
        Door(one.engine).set_passphrase(PASSPHRASE)
        yield one


def classes_page() -> None:
    from ui.views import classes

    classes.show()


def door_page() -> None:
    from ui.views import door

    door.show()


def as_ines(records: Records) -> AppTest:
    """The page of the classes in the hands of a second instructor."""
    app = AppTest.from_function(classes_page, default_timeout=PATIENCE_S)
    app.session_state["token"] = Door(records.engine).open("the second passphrase", name="Ines")
    return app.run()


def press(app: AppTest, label: str) -> AppTest:
    next(one for one in app.button if one.label == label).click()
    app.run()
    assert not app.exception
    return app


def test_a_second_instructor_has_the_classes_that_are_hers_or_shared(records: Records) -> None:
    """Ines opens a class of her own, does not see the first one's, and teaches it once it is shared."""
    ines = Door(records.engine).add("Ines", "the second passphrase")
    theirs = records.classes.open("Morning", opened_by=1)
    app = as_ines(records)
    assert ["class_name"] == [one.key for one in app.text_input]  # no class is hers yet
    app.text_input(key="class_name").set_value("Evening")
    press(app, "Open it")
    assert [("Evening", ines.id)] == [(one.name, one.opened_by) for one in records.classes.taught_by(ines.id)]
    first = as_instructor(records, classes_page)
    first.query_params["class"] = str(theirs.id)
    first.run()
    first.multiselect(key=f"co_teachers_{theirs.id}").set_value([ines.id])
    press(first, "Keep these teachers")
    options = as_ines(records).selectbox(key="class_id").options
    assert ["Evening", "Morning"] == [one.partition(" · ")[0] for one in options]


def test_what_is_no_longer_shared_orders_nothing(records: Records) -> None:
    """A button that was drawn while a class was shared does nothing to it afterwards."""
    ines = Door(records.engine).add("Ines", "the second passphrase")
    theirs = records.classes.open("Morning", opened_by=1)
    records.classes.teach_together(theirs.id, [ines.id])
    app = as_ines(records)
    records.classes.teach_together(theirs.id, [])
    press(app, "Close it for new students")
    assert ["this class is gone, or others teach it now"] == [
        one.value.replace("\\", "") for one in app.error
    ]
    assert None is records.classes.get(theirs.id).closed_s


def test_the_page_tells_which_instructor_decided_what(records: Records) -> None:
    """Ines closes a class that is shared with her, and the first instructor reads it there."""
    ines = Door(records.engine).add("Ines", "the second passphrase")
    shared = records.classes.open("Morning", opened_by=1)
    records.classes.teach_together(shared.id, [ines.id])
    press(as_ines(records), "Close it for new students")
    (deed,) = records.journal.of_class(shared.id)
    assert ("Ines", "Morning is closed") == (deed.who, deed.words)
    first = as_instructor(records, classes_page).run()
    assert not first.exception
    assert "What was decided, and by whom" in [one.label for one in first.expander]


def test_the_first_instructor_adds_and_removes_others(records: Records) -> None:
    """With a name and a passphrase typed twice; the others have no such form."""
    app = as_instructor(records, door_page).run()
    app.text_input(key="instructor_name").set_value("Ines")
    for key in ("instructor_first", "instructor_again"):
        app.text_input(key=key).set_value("the second passphrase")
    press(app, "Add this instructor")
    (_, ines) = Door(records.engine).instructors()
    assert "Ines" == ines.name
    hers = AppTest.from_function(door_page, default_timeout=PATIENCE_S)
    hers.session_state["token"] = Door(records.engine).open("the second passphrase", name="Ines")
    hers.run()
    assert ["You are signed in as **Ines**."] == [
        one.value for one in hers.markdown if "You are signed in" in one.value
    ]
    assert "instructor_name" not in [one.key for one in hers.text_input]
    app.checkbox(key=f"instructor_sure_{ines.id}").check()
    app.run()
    press(app, "Remove Ines")
    assert [1] == [one.id for one in Door(records.engine).instructors()]


def test_a_name_is_asked_for_where_there_are_several(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the door: a passphrase alone while there is one instructor, a name with it from the second on."""
    monkeypatch.setattr("ui.views.door.asked_from", lambda *asked: ("far away", False))
    app = AppTest.from_function(door_page, default_timeout=PATIENCE_S)
    assert ["passphrase"] == [one.key for one in app.run().text_input]
    Door(records.engine).add("Ines", "the second passphrase")
    app.run()
    app.text_input(key="knock_name").set_value("Ines")
    app.text_input(key="passphrase").set_value(PASSPHRASE)
    press(app, "Sign in")
    assert ["that is not the passphrase"] == [one.value for one in app.error]
