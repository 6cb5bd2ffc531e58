"""A day with an exam, from the class list to the debrief: a teacher and students, each in a real browser."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.ui.browser import button, go, hand_in, say
from tests.ui.school import (
    SOON_MS,
    admit_by,
    choose_passphrase,
    class_served,
    give_exam,
    join,
    name_no_fault,
    on_the_board,
    open_class,
    pick_on_the_board,
    sit_with,
    take_the_tools,
    tick,
)

EXAM, TITLE = "02-left-in-storage", "Left in storage"
PHONE = ViewportSize(width=390, height=844)


@pytest.fixture(scope="module")
def address(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("exam")
    with class_served(folder) as served:
        yield served


@pytest.fixture(scope="module")
def teacher(started: Browser, address: str) -> Iterator[Page]:
    page = choose_passphrase(started, address)
    yield page
    page.close()


def project_the_way_in(teacher: Page, code: str) -> None:
    """The class sees code and exam, and neither the navigation nor who is on the list."""
    button(teacher, "Projector")
    expect(teacher.get_by_role("img", name=f"class code {' '.join(code)}")).to_be_in_viewport()
    expect(teacher.locator(".st-key-given_table")).to_contain_text("exam until")
    expect(teacher.get_by_test_id("stHeader")).to_be_hidden()
    for words in ("Who may join", "Another address"):
        expect(teacher.get_by_text(words)).to_have_count(0)
    button(teacher, "Leave the projector view")
    expect(teacher.get_by_text("Who may join")).to_be_visible()


def let_in(teacher: Page, address: str, student: Page) -> None:
    """Who is not on the list waits until the teacher has decided; the exam comes without a reload."""
    expect(student.get_by_text("The instructor lets you in")).to_be_visible()
    go(teacher, f"{address}/board")
    expect(teacher.get_by_text("1 student waiting to be let in")).to_be_visible(timeout=SOON_MS)
    button(teacher, "Let them in")
    expect(student.get_by_role("button", name=f"Begin: {TITLE}")).to_be_visible(timeout=SOON_MS)


def ask_and_be_answered(student: Page, teacher: Page) -> None:
    """A raised hand brings its desk to the top of the board; the answer lowers it on both screens."""
    button(student, "Raise a hand")
    first = teacher.locator(".st-key-board tr[data-id]").first
    expect(first).to_contain_text("hand up", timeout=SOON_MS)
    expect(first).to_contain_text("Mia and Pat")
    pick_on_the_board(teacher, "Mia and Pat", "The hand is answered")
    expect(on_the_board(teacher, "Mia and Pat")).not_to_contain_text("hand up", timeout=SOON_MS)
    expect(student.get_by_role("button", name="Raise a hand")).to_be_visible(timeout=SOON_MS)


def is_handed_in_and_no_more(student: Page) -> None:
    """Of an exam that is not released a student sees that it is handed in."""
    expect(student.get_by_role("heading", name="Handed in")).to_be_visible(timeout=SOON_MS)
    main = student.get_by_test_id("stMain")
    expect(main.get_by_role("heading")).to_have_text(["Handed in"])
    expect(main.get_by_role("table")).to_have_count(0)


def sees_the_debrief(student: Page) -> None:
    """The debrief comes by itself."""
    expect(student.get_by_role("heading", name=f"Debrief: {TITLE}")).to_be_visible(timeout=SOON_MS)


def test_an_exam_from_the_class_list_to_the_debrief(teacher: Page, started: Browser, address: str) -> None:
    """One on the list, with a partner; one let in, on a phone: nothing is told before it is released."""
    code = open_class(teacher, address, "Tuesday")
    admit_by(teacher, "Name;ID\r\nMia;u1\r\nWei;u2\r\n")
    give_exam(teacher, EXAM, TITLE, lasts_min=30)
    project_the_way_in(teacher, code)
    mia = join(started, address, code, "Mia")
    zoe = join(started, address, code, "Zoe", viewport=PHONE)
    let_in(teacher, address, zoe)
    sit_with(mia, "Pat")
    for student in (mia, zoe):
        button(student, f"Begin: {TITLE}")
    ask_and_be_answered(mia, teacher)
    take_the_tools(mia, "Pat")
    say(mia, "look F2")
    take_the_tools(mia, "Mia")
    say(mia, "fit F2")
    hand_in(mia, "F2", "missing", "the holder was empty")
    name_no_fault(zoe)
    for student, name in ((mia, "Mia and Pat"), (zoe, "Zoe")):
        is_handed_in_and_no_more(student)
        expect(on_the_board(teacher, name)).to_contain_text("handed in", timeout=SOON_MS)
        expect(on_the_board(teacher, name)).not_to_contain_text("%")
    pick_on_the_board(teacher, "Zoe", "Release the exam to this student")
    sees_the_debrief(zoe)
    is_handed_in_and_no_more(mia)
    tick(teacher, "the class may see verdict and solution")
    button(teacher, "Release the exam to all")
    sees_the_debrief(mia)
    for student in (mia, zoe):
        student.close()
