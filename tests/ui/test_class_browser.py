"""A class in a real browser: opened, joined, watched, replayed, exported; an exercise written and solved."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.ui.browser import button, go, hand_in, opened, panel, redrawn, say, turn_to
from tests.ui.school import SOON_MS, choose_passphrase, class_served, downloaded, give, join, open_class
from ui.state.classroom import COOKIE


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("class")


@pytest.fixture(scope="module")
def address(chromium: str, folder: Path) -> Iterator[str]:
    with class_served(folder) as served:
        yield served


@pytest.fixture(scope="module")
def instructor(started: Browser, address: str) -> Iterator[Page]:
    page = choose_passphrase(started, address)
    yield page
    page.close()


def watch(instructor: Page, address: str, steps: dict[str, str]) -> Locator:
    """The instructor opens the board, which tells how many steps each student has done."""
    go(instructor, f"{address}/board")
    board = instructor.locator(".st-key-board")
    for student, words in steps.items():
        expect(board.locator("tr", has_text=student)).to_contain_text(words)
    return board


def pause_and_go_on(instructor: Page, student: Page) -> None:
    """The instructor pauses the class and lets it go on; a student's page tells both by itself."""
    button(instructor, "Pause the class")
    expect(student.get_by_text("wait until the instructor continues it")).to_be_visible(timeout=SOON_MS)
    button(instructor, "Go on")
    expect(student.get_by_text("wait until the instructor continues it")).to_have_count(0, timeout=SOON_MS)


def speak_to_all(instructor: Page, student: Page) -> None:
    """The instructor sends a message, which a student's page shows by itself."""
    button(instructor, "Send it to all")
    expect(student.get_by_text("The instructor says")).to_be_visible(timeout=SOON_MS)


def replay(instructor: Page, board: Locator, student: str, first: str, last: str) -> None:
    """The instructor picks a student on the board and goes through the steps on the projector."""
    with redrawn(instructor):
        board.locator("tr", has_text=student).click()
    expect(instructor.locator(".st-key-board_student input")).to_have_value(student)
    button(instructor, "Replay on the projector")
    for where, words in (("Next", first), ("Last", last)):
        button(instructor, where)
        expect(instructor.locator(".st-key-replay_step")).to_contain_text(words)


def results(instructor: Page, address: str) -> dict[str, dict[str, str]]:
    """The instructor downloads the results of the class: rows by student."""
    go(instructor, f"{address}/classes")
    return {row["student"]: row for row in downloaded(instructor, "Results as CSV")}


def test_a_class_is_opened_worked_watched_replayed_and_exported(
    instructor: Page, started: Browser, address: str
) -> None:
    """An instructor and two students go through a whole lesson, each in a browser of their own."""
    code = open_class(instructor, address, "Tuesday")
    give(instructor, "02-left-in-storage", "Left in storage")
    amara, bo = (join(started, address, code, name) for name in ("Amara", "Bo"))
    for student in (amara, bo):
        button(student, "Begin: Left in storage")
    panel(amara, "Seat")
    button(amara, "Press start")
    board = watch(instructor, address, {"Amara": "2 steps", "Bo": "0 steps"})
    say(bo, "look F2")
    expect(board.locator("tr", has_text="Bo")).to_contain_text("Inspect F2", timeout=SOON_MS)
    pause_and_go_on(instructor, amara)
    speak_to_all(instructor, bo)
    say(bo, "fit F2")
    hand_in(bo, "F2", "missing")
    expect(board.locator("tr", has_text="Bo")).to_contain_text("handed in", timeout=SOON_MS)
    replay(instructor, board, "Bo", "1 of 2: Inspect F2", "2 of 2: Fit F2")
    rows = results(instructor, address)
    assert ("pull F2", "") == (rows["Bo"]["named"], rows["Amara"]["named"])
    for student in (amara, bo):
        student.close()


def test_a_refresh_finds_the_instructor_again(instructor: Page, address: str) -> None:
    """The cookie, for this site alone, lets the instructor back in after the page is loaded anew."""
    go(instructor, f"{address}/board")
    go(instructor, instructor.url)
    expect(instructor.get_by_test_id("stTopNavSection").filter(has_text="Teach")).to_have_count(1)
    (cookie,) = (one for one in instructor.context.cookies() if one.get("name") == COOKIE)
    assert "Strict" == cookie.get("sameSite")  # RFC 6265bis: sent from pages of this site alone
    assert cookie.get("value", "") not in instructor.url
    assert "token" not in instructor.url
    assert "passphrase" not in instructor.url


def test_an_instructors_bookmark_leads_to_the_door_where_nobody_was_let_in(
    instructor: Page, started: Browser, address: str
) -> None:
    """Without the cookie an instructor's address opens the page that asks for the passphrase."""
    for path, seen in (("board", "Teach"), ("welcome", "A car is in the bay")):
        page = opened(started, f"{address}/{path}")
        expect(page.get_by_role("heading", name=seen)).to_be_visible()
        expect(page.get_by_text("Page not found")).to_have_count(0)
        page.close()


def test_an_exercise_is_written_by_breaking_a_car_and_solved_by_a_student(
    instructor: Page, started: Browser, address: str, folder: Path
) -> None:
    """What an author breaks, solves and gives can be worked by a student in another browser."""
    code = open_class(instructor, address, "Authors")
    go(instructor, f"{address}/bay")
    say(instructor, "pull F14")
    panel(instructor, "Seat")
    button(instructor, "crank")
    turn_to(instructor, "Author")
    button(instructor, "Take it as it is in the bay")
    expect(instructor.get_by_label("it arrives with")).to_have_value("pull F14")
    button(instructor, "Put it into the bay")
    say(instructor, "scan", "save before", "look F14", "fit F14", "clear", "key run", "wait 10 s", "scan")
    turn_to(instructor, "Author")
    button(instructor, "Take what was done there")
    for label, words in (
        ("title", "The baker's other car"), ("topic", "fuses"),
        ("customer (an invented name)", "Ida Brodersen"), ("what the customer says", "It cranks and cranks."),
        ("what it teaches", "Fuses first."),
        ("why the car shows what it shows", "The fuse of the coils is out."),
    ):  # fmt: skip
        instructor.get_by_label(label, exact=True).fill(words)
        with redrawn(instructor):
            instructor.keyboard.press("Tab")
    go(instructor, instructor.url)  # nothing typed is lost
    expect(instructor.get_by_label("customer (an invented name)")).to_have_value("Ida Brodersen")
    instructor.get_by_label("file name").fill("bakers-other-car")
    with redrawn(instructor):
        instructor.keyboard.press("Tab")
    button(instructor, "Save")
    assert "pull F14" in (folder / "busbay/exercises/bakers-other-car.yaml").read_text("utf-8")
    button(instructor, "Give it")

    student = join(started, address, code, "Cy")
    button(student, "Begin: The baker's other car")
    expect(student.get_by_text("It cranks and cranks.")).to_be_visible()
    say(student, "scan", "save before", "look F14", "fit F14", "key run", "clear", "wait 10 s", "scan")
    hand_in(student, "F14", "missing")
    go(instructor, f"{address}/board")
    expect(instructor.locator(".st-key-board tr", has_text="Cy")).to_contain_text("complete, 100 %")
    student.close()
