"""The time view: its marks are the trace's, its map at the last moment is the map of now, a student at work
has none."""

import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from playwright.sync_api import Page, expect

from sim import catalogue
from sim.bench.bench import Bench
from sim.bench.cascade import Cascade
from sim.modules.trace import Event
from tests.ui.browser import button, drawn, panel, redrawn, say, scan, state, text_of
from ui.drawing.car_map import module_box
from ui.drawing.layout import NARROW, WIDE, layout_of
from ui.drawing.playback import SPEEDS, playback, speed_at_first
from ui.drawing.timeline import Axis, picture
from ui.panels.timeline import MOST_MARKS, framed
from ui.registry import pages_of
from ui.state.visible import all_visible
from ui.views import exercise

GIVEN = ("theory ECM waits for TRAILER",)
BEFORE, WATCHED = "wait 20 s", ("unplug TRAILER.C1", "press start with brake", "wait 10 s")


@pytest.fixture(scope="module")
def bench() -> Bench:
    """The minibus whose trailer module is absent, after a try to start it."""
    bench = Bench(catalogue.find_car("shuttle-minibus"), GIVEN)
    bench.do_all([BEFORE, *WATCHED])
    return bench


@pytest.fixture(scope="module")
def cascade(bench: Bench) -> Cascade:
    """What followed."""
    return framed(bench.trace.events, 20.05, bench.now_s)


def buses(bench: Bench) -> list[str]:
    return [line.bus for line in layout_of(bench.base).lines]


def events_of(svg: str) -> list[int]:
    """The numbers of the events that a drawing has marks for, in order."""
    return sorted(int(found) for found in re.findall(r'data-id="event (\d+)"', svg))


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_with_all_modules_the_drawing_has_every_mark_of_the_cascade(
    bench: Bench, cascade: Cascade, width: float
) -> None:
    """Each event that is a mark is drawn once, and the drawing is well formed."""
    drawing = picture(bench.base, cascade, buses(bench), width, every_module=True)
    assert [mark.event.id for mark in cascade.marks] == events_of(drawing.svg)
    ElementTree.fromstring(drawing.svg)


def test_only_modules_with_something_to_tell_have_a_lane_the_others_are_counted(
    bench: Bench, cascade: Cascade
) -> None:
    """What is folded merely wakes, runs or sleeps, or does not change; lanes and it make all modules."""
    drawing = picture(bench.base, cascade, buses(bench), WIDE)
    shown = {one.lane.name for one in cascade.marks if one.lane.kind == "module" and not one.is_ordinary}
    folded = {*drawing.ordinary, *drawing.still}
    assert set(bench.base.claimed.modules) - shown == folded
    left_out = [mark.event.id for mark in cascade.marks if mark.lane.name in folded]
    assert sorted({mark.event.id for mark in cascade.marks} - set(left_out)) == events_of(drawing.svg)


def test_no_two_marks_of_a_lane_cover_each_other(bench: Bench, cascade: Cascade) -> None:
    """In each row of a lane a mark with its words ends before the next begins."""
    drawing = picture(bench.base, cascade, buses(bench), WIDE)
    rows: dict[float, list[tuple[float, float]]] = {}
    for group in ElementTree.fromstring(drawing.svg).iter("g"):
        if group.get("data-id"):
            x, y = re.findall(r"[\d.]+", group.attrib["transform"])
            icon = float(x)
            rows.setdefault(float(y), []).append((icon - 6, icon + 6))
    for several in rows.values():
        ordered = sorted(several)
        assert [] == [two for one, two in pairwise(ordered) if two[0] < one[1] - 0.2]


def test_the_last_drawing_of_each_box_is_the_map_of_now(bench: Bench, cascade: Cascade) -> None:
    """What the browser plays for a module ends as the map draws it from the live car."""
    layout, visible = layout_of(bench.base), all_visible(bench)
    told = playback(cascade, Axis(cascade.start_s, cascade.end_s, 0.0, 1.0), layout, visible)
    now = [str(module_box(box, visible.modules[box.module])) for box in layout.boxes]
    assert now == [changes[-1][1] for _, changes in told["boxes"]]


def test_the_first_drawing_of_each_box_is_the_map_before(bench: Bench, cascade: Cascade) -> None:
    """What the browser plays begins as the map was drawn before the trailer module was unplugged."""
    layout, before = layout_of(bench.base), all_visible(bench.rewind(1))
    told = playback(cascade, Axis(cascade.start_s, cascade.end_s, 0.0, 1.0), layout, before)
    then = [str(module_box(box, before.modules[box.module])) for box in layout.boxes]
    assert then == [changes[0][1] for _, changes in told["boxes"]]


def test_a_span_is_framed_by_its_marks_and_bounded(bench: Bench) -> None:
    """A long quiet end is cut off, and a span of thousands of marks keeps its last ones."""
    quiet = Bench(bench.base)
    quiet.do_all(["wait 60 s", "unplug ABS", "wait 60 s"])
    found = framed(quiet.trace.events, 60.0, quiet.now_s)
    assert 1 == len([one for one in found.marks if one.event.kind == "fault"])
    assert found.end_s < 70
    storm = [
        Event(count, count / 10, "bus", "ECM", "ECM goes bus-off", ()) for count in range(2 * MOST_MARKS)
    ]
    kept = framed(storm, 0.0, MOST_MARKS / 5).marks
    assert storm[-1] == kept[-1].event
    assert MOST_MARKS == pytest.approx(len(kept), rel=0.05)


@pytest.mark.parametrize(("span_s", "speed"), [(0.8, 0.1), (8.0, 1), (80.0, 10), (4000.0, 100)])
def test_a_cascade_is_played_in_some_seconds_at_first(span_s: float, speed: float) -> None:
    """A second is played slowly, an hour fast; 1 to 100 times can be chosen."""
    assert speed == speed_at_first(Cascade(0.0, span_s, {}, (), {}))
    assert {1, 10, 100} <= set(SPEEDS)


@pytest.mark.parametrize(
    ("span_s", "ticks"), [(10.0, (0, 2, 4, 6, 8, 10)), (0.5, (0, 0.1, 0.2, 0.3, 0.4, 0.5))]
)
def test_ticks_are_round_moments(span_s: float, ticks: tuple[float, ...]) -> None:
    """The axis has few ticks, at round moments."""
    assert ticks == Axis(0.0, span_s, 0.0, 500.0).ticks()


def test_a_student_at_work_has_no_time_view() -> None:
    """The panels of an exercise are those of the workplace; the time view is none of them, nor is the bay."""
    assert "bay" not in [one.path for one in pages_of("at work")]
    assert "Watch" not in exercise.PANELS


# -- in a browser --------------------------------------------------------------------------------------------


@pytest.fixture
def watched(page: Page) -> Page:
    """The bay with the minibus, its trailer module unplugged: a scan, a minute's rest, a try to start it, and
    the time view.
    """
    button(page, "The minibus without its trailer socket")
    scan(page)
    button(page, "+ 1 min")
    panel(page, "Seat")
    button(page, "Press start with brake")
    panel(page, "Watch")
    return page


def shown_events(page: Page) -> list[int]:
    ids = page.locator(".timeline .event").evaluate_all("marks => marks.map(mark => mark.dataset.id)")
    return sorted(int(one.removeprefix("event ")) for one in ids)


def scrub(page: Page, share: float) -> None:
    """Pull the slider to a share of the span."""
    page.locator(".scrub").evaluate(
        """(slider, share) => {
          slider.value = Number(slider.min) + share * (slider.max - slider.min);
          slider.dispatchEvent(new Event('input', { bubbles: true }));
        }""",
        share,
    )


def test_the_cascade_of_the_absent_trailer_module_is_played_and_scrubbed(watched: Page) -> None:
    """Marks equal to the trace; the map follows the cursor, at the end it is of now; a click asks why."""
    page = watched
    with redrawn(page):
        page.get_by_text("all modules", exact=True).click()
    marks = page.locator(".timeline .event").evaluate_all("marks => marks.map(mark => mark.ariaLabel)")
    twin = Bench(
        catalogue.find_car("shuttle-minibus"),
        [*GIVEN, "unplug TRAILER.C1", "pull F11"],
    )
    twin.do_all(["wait 20 s", "scan", "wait 1 min"])
    begins_s = twin.now_s
    twin.do_all(["press start with brake", "wait 10 s"])
    expected = framed(twin.trace.events, begins_s, twin.now_s).marks
    told = [f"{one.event.time_s:.3f} s: {one.event.in_words(twin.base).text}" for one in expected]
    assert sorted(told) == sorted(marks)
    assert [one.event.id for one in expected] == shown_events(page)

    assert "running" in state(page, "BCM")
    scrub(page, 0.0)
    assert "asleep" in state(page, "BCM")
    page.locator(".playbar .speed").select_option("100")
    page.locator(".playbar .play").click()
    expect(page.locator(".playbar .play")).to_contain_text("Play")
    assert "running" in state(page, "BCM")

    scrub(page, 0.0)
    before = text_of(page.locator(".clock"))
    page.locator(".playbar .on").click()
    assert float(before.split()[0]) < float(text_of(page.locator(".clock")).split()[0])
    moment = text_of(page.locator(".clock"))
    with redrawn(page):
        page.locator(".timeline .event.code").first.click()
    expect(page.locator(".st-key-because .edit").first).to_be_visible()
    assert moment == text_of(page.locator(".clock")), "the moment stays"
    assert "starting" in state(page, "BCM")

    panel(page, "Seat")
    expect(page.locator("[data-id='module BCM']")).to_have_attribute("aria-label", re.compile("running"))


@pytest.mark.parametrize(
    ("example", "code"),
    [("Unplug a node", "U0121-87"), ("Pull a fuse", "P0351-13"), ("Bypass the gateway", "U0146-87")],
)
def test_an_example_shows_its_codes_one_click_from_the_first_page(
    page: Page, example: str, code: str
) -> None:
    """Unplug, fuse, bypass: each opens the bay's time view with its codes, and the strip says how many."""
    button(page, example)
    expect(page.locator(".timeline .event.code", has_text=code).first).to_be_visible()
    expect(page.locator(".st-key-answer")).to_have_text(re.compile(r"^\d+ codes? set, \d+ lamps? lights?$"))


def test_play_begins_at_the_start_and_pause_holds(page: Page) -> None:
    """Play from the end starts over; pause leaves the cursor where it is, also with reduced motion."""
    page.emulate_media(reduced_motion="reduce")
    with redrawn(page):
        page.get_by_role("link", name="Bay").first.click()
    say(page, "key run")
    panel(page, "Watch")
    drawn(page)
    end = text_of(page.locator(".clock"))
    page.locator(".playbar .play").click()
    expect(page.locator(".playbar .play")).to_contain_text("Pause")
    page.locator(".playbar .play").click()
    held = text_of(page.locator(".clock"))
    assert held != end
    page.wait_for_timeout(1200)
    assert held == text_of(page.locator(".clock"))
