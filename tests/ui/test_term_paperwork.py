"""What a term asks of a teacher beside teaching, in real browsers: marks, files for the platform, order and
deadlines, PINs for shared computers, a second teacher."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from sim.training.rows import ClassRow
from tests.training.lrs import SECRET, USERNAME, learning_record_store
from tests.ui.browser import (
    LAPTOP,
    button,
    choose,
    choose_several,
    go,
    named,
    opened,
    pill,
    redrawn,
)
from tests.ui.school import (
    SOON_MS,
    choose_passphrase,
    class_served,
    come_back,
    downloaded,
    join,
    keep_a_pin,
    leave,
    sign_in,
    tick,
    unfold,
)

STORED, DASH = ("02-left-in-storage", "Left in storage"), ("03-dark-dash", "Dark dash")
INES, HERS = "Ines", "the second passphrase"
CRITERIA_BY_RULE = 7
EVIDENCE = "the holder was empty, see https://far.example/p.png, www.far.example or me@far.example"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("term")


@pytest.fixture(scope="module")
def address(chromium: str, folder: Path) -> Iterator[str]:
    with class_served(folder) as served:
        yield served


@pytest.fixture(scope="module")
def records(folder: Path, address: str) -> Iterator[Records]:
    kept = Records(f"sqlite:///{folder}/classes.sqlite")
    yield kept
    kept.close()


@pytest.fixture(scope="module")
def teacher(started: Browser, address: str) -> Iterator[Page]:
    page = choose_passphrase(started, address)
    yield page
    page.close()


def class_of_two(records: Records) -> tuple[ClassRow, str]:
    """Mia, who sits with Pat, has handed in the first of two exercises; Bo has not begun. And Mia's key."""
    group = records.classes.open("Spring", opened_by=1)
    mia, key = records.students.join(group.join_code, "Mia")
    records.students.join(group.join_code, "Bo")
    records.students.sit_together(mia.id, "Pat")
    first, _ = (
        records.assignments.give(group.id, shipped_exercises()[name].read_text("utf-8"), practice=True)
        for name, _ in (STORED, DASH)
    )
    work = records.attempts.begin(first, mia.id)
    work.by_whom = "Pat"
    work.do("look F2")
    work.by_whom = ""
    work.do("fit F2")
    work.hand_in(["pull F2"], EVIDENCE)
    return group, key


# -- marks and files ----------------------------------------------------------------------------------------


def links_outside(page: Page) -> Locator:
    """Links to other servers, which nothing that a person has typed may become."""
    return page.get_by_test_id("stMain").locator("a[href*=':']")


def open_the_attempt(teacher: Page, address: str, group: ClassRow) -> None:
    """A click into the table of the term opens an attempt; it tells who of the two did what."""
    go(teacher, f"{address}/results?class={group.id}")
    with redrawn(teacher):
        teacher.get_by_label(re.compile(f"^Mia, {STORED[1]}: ")).click()
    expect(teacher.get_by_text("Two worked together: Mia 1 step, Pat 1 step.")).to_be_visible()
    expect(teacher.locator(".st-key-term_rubric tr")).to_have_count(1 + CRITERIA_BY_RULE + 1)
    expect(teacher.get_by_text("the holder was empty, see https")).to_be_visible()
    expect(links_outside(teacher)).to_have_count(0)


def mark_by_hand(teacher: Page, criterion: str, percent: int, comment: str) -> None:
    """The instructor's mark takes the place of the rule's, which stays in sight."""
    unfold(teacher, "Change a mark, or comment")
    teacher.get_by_label(f"{criterion}, %").fill(f"{percent}")
    teacher.get_by_label("comment").fill(comment)
    button(teacher, "Keep the marks")
    row = teacher.locator(".st-key-term_rubric tr", has_text=criterion)
    expect(row.locator("td").nth(3)).to_have_text(f"{percent} %")


def weigh(teacher: Page, criterion: str, weight: int) -> None:
    """A criterion weighs more from now on."""
    pill(teacher, "results_part", "Weights")
    slider = teacher.get_by_role("slider", name=re.compile(f"^{criterion}:"))
    slider.focus()
    for _ in range(weight - 1):
        slider.press("ArrowRight")
    expect(slider).to_have_value(f"{weight}")
    button(teacher, "Keep the weights")
    pill(teacher, "results_part", "Students")
    row = teacher.locator(".st-key-term_rubric tr", has_text=criterion)
    expect(row.locator("td").nth(1)).to_have_text(f"{weight}")


def take_the_files(teacher: Page) -> str:
    """The gradebook has the points of who handed in, the results both students; Mia's points."""
    points = {row["name"]: row for row in downloaded(teacher, "Gradebook as CSV")}
    column = f"1: {STORED[1]} (100 points)"
    assert ["Mia", "Bo"] == list(points)
    assert "" == points["Bo"][column]
    results = downloaded(teacher, "Results as CSV")
    assert [("Mia", EVIDENCE), ("Bo", "")] == [
        (row["student"], row["evidence"]) for row in results if row["exercise"] == STORED[1]
    ]
    return points["Mia"][column]


def connect_the_store(teacher: Page, address: str) -> None:
    """What was handed in goes to the school's store; its secret is not shown again."""
    pill(teacher, "results_part", "Platform")
    for label, words in (
        ("address of the store", address), ("address of the school", "https://school.example"),
        ("name", USERNAME), ("secret", SECRET),
    ):  # fmt: skip
        teacher.get_by_label(re.compile(f"^{label}")).last.fill(words)
    button(teacher, "Connect")
    button(teacher, "Send now")
    main = teacher.get_by_test_id("stMain")
    expect(main).to_contain_text(re.compile("4 statements sent · 0 waiting"), timeout=SOON_MS)
    expect(teacher.get_by_label("secret")).to_have_value("")
    expect(links_outside(teacher)).to_have_count(0)


def test_marks_reach_the_student_and_the_schools_platform(
    teacher: Page, started: Browser, address: str, records: Records
) -> None:
    """A mark by hand, a comment and a weight are in the debrief; files and statements say the same mark."""
    group, key = class_of_two(records)
    open_the_attempt(teacher, address, group)
    mark_by_hand(teacher, "plan", 70, "talked it over")
    weigh(teacher, "safety", 5)
    points = take_the_files(teacher)
    with learning_record_store() as store:
        connect_the_store(teacher, store.address)
        told = [
            one["result"]["score"]["scaled"]
            for one in store.kept.values()
            if "score" in one.get("result", ())
        ]
    assert [pytest.approx(float(points) / 100, abs=0.0001)] == list(set(told))
    mia = opened(started, f"{address}/?student={key}", viewport=LAPTOP)
    button(mia, f"Debrief: {STORED[1]}")
    expect(
        mia.get_by_text("The instructor says: “talked it over”".replace("“", "").replace("”", ""))
    ).to_be_visible()
    expect(mia.get_by_role("heading", name=f"Mark: {float(points):.0f} %")).to_be_visible()
    mia.close()


# -- the exercises of a class -------------------------------------------------------------------------------


def test_what_changes_about_an_exercise_reaches_the_desk(
    teacher: Page, started: Browser, address: str, records: Records
) -> None:
    """Another order, a deadline and an exercise taken back appear on a student's desk without a reload."""
    group, key = class_of_two(records)
    mia = opened(started, f"{address}/?student={key}", viewport=LAPTOP)
    jobs = mia.locator("[class*='st-key-task-']")
    expect(jobs).to_have_count(2)
    go(teacher, f"{address}/classes?class={group.id}")
    unfold(teacher, "Change an exercise that was given")
    choose(teacher, "changed_exercise", DASH[1])
    button(teacher, "Earlier")
    teacher.get_by_label("year, due on").click()
    teacher.keyboard.type("20300630")
    button(teacher, "Keep deadline and points")
    expect(jobs.first).to_contain_text("practice until Sun 30 Jun 23:59", timeout=SOON_MS)
    expect(jobs.first).to_contain_text(DASH[1])
    tick(teacher, "take it away from all desks")
    button(teacher, "Take it back")
    expect(jobs).to_have_count(1, timeout=SOON_MS)
    expect(teacher.locator(".st-key-given_table")).not_to_contain_text(DASH[1])
    mia.close()


# -- who comes in -------------------------------------------------------------------------------------------


def test_a_pin_leads_back_on_a_shared_computer(started: Browser, address: str, records: Records) -> None:
    """A wrong PIN opens nothing; the right one opens the jobs until they are left, and no longer."""
    group, _ = class_of_two(records)
    cy = join(started, address, group.join_code, "Cy")
    keep_a_pin(cy, "4711")
    cy.close()
    shared = opened(started, f"{address}/join", viewport=LAPTOP)
    come_back(shared, group.join_code, "cy", "4712")
    expect(shared.get_by_text("class code, name and PIN do not belong together")).to_be_visible()
    come_back(shared, group.join_code, "cy", "4711")
    expect(shared.get_by_role("heading", name="Cy's jobs")).to_be_visible()
    way_back = shared.url
    leave(shared)
    go(shared, way_back)
    expect(shared.get_by_role("heading", name="Cy's jobs")).to_have_count(0)
    expect(named(shared, "Back to Cy's jobs")).to_have_count(0)
    shared.close()


def test_a_class_is_shared_with_a_second_teacher(
    teacher: Page, started: Browser, address: str, records: Records
) -> None:
    """A second teacher comes in by name, has no class but what is hers or shared; what she does is told."""
    group, _ = class_of_two(records)
    go(teacher, f"{address}/instructor")
    unfold(teacher, "Several instructors")
    teacher.get_by_label("name of another instructor").fill(INES)
    for label in ("a first passphrase for them", "once more, theirs"):
        teacher.get_by_label(label).fill(HERS)
    button(teacher, "Add this instructor")
    ines = sign_in(started, address, INES, HERS)
    expect(ines.get_by_text("No class yet")).to_be_visible()
    go(teacher, f"{address}/classes?class={group.id}")
    unfold(teacher, "Who teaches this class")
    choose_several(teacher, "taught together with", INES)
    button(teacher, "Keep these teachers")
    go(ines, f"{address}/classes?class={group.id}")
    button(ines, "Close it for new students")
    go(teacher, teacher.url)
    expect(teacher.get_by_role("button", name="Open it again")).to_be_visible()
    deeds = unfold(teacher, "What was decided, and by whom").locator("tr", has_text="Spring is closed")
    expect(deeds).to_contain_text(INES)
    ines.close()
