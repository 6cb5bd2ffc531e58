"""A whole exercise in a real browser, from the desk to the debrief; on a phone; what the instructor says."""

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from tests.ui.browser import (
    button,
    drive,
    go,
    hand_in,
    opened,
    panel,
    pick,
    pill,
    redrawn,
    say,
    scan,
    state,
    text_of,
)
from ui.state.classroom import address_beside

STORED = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
PHONE = {"width": 390, "height": 844}


def log(page: Page) -> str:
    """Everything that the student has done, as the panel lists it."""
    panel(page, "Log")
    return text_of(page.locator(".st-key-log table"))


def joined(served_records: str) -> tuple[str, int]:
    """The key of a student of a class, and an exercise to practice on the desk."""
    records = Records(served_records)
    group = records.classes.open("Thursday")
    _, key = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, STORED, practice=True)
    records.close()
    return key, task.id


def take_an_exercise_home(page: Page, name: str) -> None:
    """Open a desk of one's own and begin an exercise on it."""
    button(page, "Exercises, in a class or alone")
    button(page, "Practice on my own")
    with redrawn(page):
        page.locator(f".st-key-take-{name} button").click()


def find_the_empty_holder(page: Page) -> None:
    """Start, scan, and look at the fuse of the module that gives no answer."""
    assert "not asked" == state(page, "TCM")
    drive(page, "Press start")
    assert "5 of 6 modules answer, 2 codes" in scan(page)
    assert "no answer" == state(page, "TCM")
    pick(page, "silent TCM")
    button(page, "Inspect F2")
    expect(page.locator(".st-key-answer")).to_contain_text("the holder is empty")


def refresh(page: Page) -> None:
    """Load the page anew; the log is the same, and the student is still at work."""
    before = log(page)
    done = ["Press start", "Scan all modules", "Inspect F2"]
    assert done == [words for words in done if words in before]
    go(page, page.url)
    assert before == log(page)
    expect(page.get_by_role("link", name="What if")).to_have_count(0)


def read_the_debrief(page: Page) -> None:
    """The debrief says that it is solved, shows the chain from the cause, and lists the checks."""
    expect(page.get_by_role("heading", name="Debrief: Left in storage")).to_be_visible()
    expect(page.locator(".ticks .yes")).to_have_text(["cause named", "repaired", "proved"])
    expect(page.locator(".aftermath .row")).to_contain_text("F2: missing")
    expect(page.locator(".aftermath .row")).to_contain_text("no answer TCM")
    expect(page.locator("svg.chain").first).to_contain_text("F2: missing")
    expect(page.locator(".st-key-checks")).to_contain_text("Fit F2")


def go_on_with_the_next(page: Page) -> None:
    """The next exercise of the curriculum begins, at its top and with nothing chosen on its car."""
    page.get_by_text("Words on this page").scroll_into_view_if_needed()
    button(page, "Next: Dark dash")
    expect(page.get_by_text("Dark dash").first).to_be_in_viewport()
    expect(page.locator(".st-key-order")).to_be_in_viewport()
    expect(page.locator("svg.map .picked")).to_have_count(0)


def test_a_whole_exercise_alone_with_a_refresh_in_the_middle(page: Page) -> None:
    """A student alone solves an exercise; a refresh loses nothing, and the next one is a click away."""
    take_an_exercise_home(page, "02-left-in-storage")
    expect(page.locator(".st-key-order")).to_contain_text("hay barn")
    find_the_empty_holder(page)
    refresh(page)
    say(page, "press start", "fit F2", "press start", "clear", "wait 10 s")
    assert "6 of 6 modules answer, 0 codes" in scan(page)
    hand_in(page, "F2", "missing", "the holder was empty")
    read_the_debrief(page)
    go_on_with_the_next(page)


def test_on_a_phone_the_exercise_fits_and_can_be_worked(
    started: Browser, address: str, served_records: str
) -> None:
    """On a narrow screen every panel of an exercise fits and works."""
    key, task = joined(served_records)
    page = opened(started, f"{address}/?student={key}&exercise={task}", viewport=PHONE)
    expect(page.locator(".st-key-order")).to_be_visible()
    main = page.locator("[data-testid=stMain]")
    for name in ("Order", "Seat", "Work", "Tester", "Measure", "Log", "Hand in"):
        panel(page, name)
        assert main.evaluate("one => one.scrollWidth <= one.clientWidth + 1"), name
    expect(page.locator("svg.map[role=group]")).to_have_attribute("viewBox", re.compile(r"^0 0 [34]\d\d "))
    assert "6 modules answer" in scan(page)
    page.close()


def test_the_instructors_word_arrives_within_seconds(
    started: Browser, address: str, served_records: str
) -> None:
    """A message and a pause reach the student's open page without a click."""
    key, task = joined(served_records)
    page = opened(started, f"{address}/?student={key}&exercise={task}")
    records = Records(served_records)
    student = records.students.with_key(key)
    records.notices.pause(student.class_id, True)
    records.notices.tell(student.class_id, "Look at the fuse list.")
    expect(page.locator(".st-key-paused")).to_be_visible(timeout=10_000)
    expect(page.locator(".st-key-message")).to_contain_text("Look at the fuse list.")
    expect(page.get_by_role("button", name="+ 10 s")).to_have_count(0)
    records.notices.pause(student.class_id, False)
    expect(page.locator(".st-key-paused")).to_have_count(0, timeout=10_000)
    records.close()
    page.close()


def read_the_address_to_keep(page: Page, address: str) -> None:
    """The address that leads back is shown before the desk is left."""
    page.get_by_role("button", name="Leave these jobs").click()
    expect(page.get_by_text(address, exact=True)).to_be_visible()


def leave_the_desk(page: Page) -> None:
    """Have this browser forget the desk."""
    page.get_by_role("button", name="Leave these jobs").click()
    button(page, "Leave")


def test_the_address_to_keep_and_the_first_page_lead_back_to_the_desk(
    started: Browser, address: str, served_records: str
) -> None:
    """The address shown is whole; the browser offers the desk on its first page until the desk is left."""
    key, _ = joined(served_records)
    page = opened(started, f"{address}/?student={key}")
    read_the_address_to_keep(page, f"{address}/?student={key}")
    go(page, f"{address}/")
    button(page, "Back to Amara's jobs")
    expect(page.get_by_role("heading", name="Amara's jobs")).to_be_visible()
    leave_the_desk(page)
    go(page, f"{address}/")
    expect(page.get_by_role("heading", name="A car is in the bay")).to_be_visible()
    expect(page.get_by_role("button", name="Back to Amara's jobs")).to_have_count(0)
    page.close()


def test_a_typed_word_and_enter_never_takes_several_causes(
    started: Browser, address: str, served_records: str
) -> None:
    """`ABS` fits many parts; Enter takes one part and names no cause, and a word of no part takes none."""
    key, task = joined(served_records)
    page = opened(started, f"{address}/?student={key}&exercise={task}")
    panel(page, "Hand in")
    box = page.locator(".st-key-answer_part input")
    box.fill("ABS")
    expect(page.get_by_role("option").nth(1)).to_be_visible()
    with redrawn(page):
        box.press("Enter")
    expect(page.get_by_text("what is wrong with ABS?")).to_be_visible()
    expect(page.get_by_text("No cause on your list yet")).to_be_visible()
    box.fill("the fuse of the hedgehog")
    expect(page.get_by_text("No results")).to_be_visible()
    page.close()


def test_a_cause_is_built_by_clicks_alone(started: Browser, address: str, served_records: str) -> None:
    """Picked on the map, taken along, named, removed, named again and handed in: not one key is pressed."""
    key, task = joined(served_records)
    page = opened(started, f"{address}/?student={key}&exercise={task}")
    pick(page, "module TCM")
    panel(page, "Hand in")
    button(page, "TCM")
    with redrawn(page):
        page.locator(".st-key-answer_more_of button").click()
    pill(page, "answer_wrong", "waits for another module at start-up")
    page.locator(".st-key-answer_other input").click()
    with redrawn(page):
        page.get_by_role("option", name=re.compile("^ECM")).click()
    button(page, "Add this cause")
    button(page, "TCM: waits for ECM at start-up")
    expect(page.get_by_text("No cause on your list yet")).to_be_visible()
    pill(page, "answer_sort", "fuse or relay")
    page.locator(".st-key-answer_part input").click()
    with redrawn(page):
        page.get_by_role("option", name=re.compile("^F2 ")).click()
    pill(page, "answer_wrong", "missing")
    button(page, "Add this cause")
    button(page, "Hand in")
    button(page, "Yes, hand in")
    expect(page.get_by_text("Right: “F2: missing”.")).to_be_visible()
    page.close()


@pytest.mark.parametrize(
    ("here", "there"),
    [
        ("http://127.0.0.1:8501", "http://127.0.0.1:8501/?student=k"),
        ("http://127.0.0.1:8501/", "http://127.0.0.1:8501/?student=k"),
        ("http://127.0.0.1:8501/desk", "http://127.0.0.1:8501/?student=k"),
        ("https://school.example/bay-2", "https://school.example/bay-2/?student=k"),
        ("https://school.example/bay-2/desk/", "https://school.example/bay-2/?student=k"),
        ("", "/?student=k"),
    ],
)
def test_an_address_has_server_and_folder_and_no_page(here: str, there: str) -> None:
    """The address to keep is whole from the first page, from a page with a name, and from a subfolder."""
    assert there == address_beside(here, ("desk", "join"), "?student=k")
