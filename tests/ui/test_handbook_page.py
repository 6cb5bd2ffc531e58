"""The handbook as a page, and the way to it below every page."""

from __future__ import annotations

from io import BytesIO

from PIL import Image, ImageStat
from playwright.sync_api import Page, expect
from streamlit.testing.v1 import AppTest

from sim.handbook.book import TITLES, chapter
from sim.handbook.glossary import meaning, terms_of
from tests.ui.browser import go
from tests.ui.walks import SCHEMES, in_scheme
from ui.registry import PAGES, menus_of, pages_of

PATIENCE_S = 60


def _page() -> None:
    from ui.views import handbook

    handbook.show()


def _below(path: str) -> None:
    from ui.panels.help import under_the_page

    under_the_page(path)


def test_a_chapter_is_chosen_by_the_address_or_by_hand() -> None:
    """`?chapter=glossary` opens that chapter; another one is a click away, and the address follows."""
    app = AppTest.from_function(_page, default_timeout=PATIENCE_S)
    app.query_params["chapter"] = "glossary"
    app.run()
    assert "Words of the trade" == TITLES[app.radio[0].value]
    assert chapter("glossary").text.strip() == app.markdown[0].value
    app.radio[0].set_value("vehicle-file").run()
    assert app.markdown[0].value.startswith("# The vehicle file")
    assert app.query_params["chapter"] in ("vehicle-file", ["vehicle-file"])
    assert not app.exception


def test_an_address_with_a_wrong_chapter_opens_the_first() -> None:
    """A chapter that is not there is no error."""
    app = AppTest.from_function(_page, default_timeout=PATIENCE_S)
    app.query_params["chapter"] = "no-such-chapter"
    app.run()
    assert "start" == app.radio[0].value


def test_the_page_has_no_links_to_files() -> None:
    """Links between the files of the handbook would lead nowhere on the page."""
    app = AppTest.from_function(_page, default_timeout=PATIENCE_S).run()
    for name in TITLES:
        app.radio[0].set_value(name).run()
        assert not [one.value for one in app.markdown if ".md)" in one.value or ".svg)" in one.value]


def test_below_a_page_are_the_words_that_it_is_the_first_to_use() -> None:
    """The words of the page are told with meaning and source; the handbook needs none."""
    app = AppTest.from_function(_below, kwargs={"path": "bay"}, default_timeout=PATIENCE_S).run()
    assert [f"**{term.word}**: {term.meaning} *{term.source}*" for term in terms_of("bay")] == [
        one.value for one in app.markdown
    ]
    assert any("DTC" in one.value for one in app.markdown)
    assert not AppTest.from_function(_below, kwargs={"path": "handbook"}).run().markdown


def test_everyone_has_the_handbook_and_no_menu_lists_it() -> None:
    """It is a page of every role, opened from other pages: the navigation keeps its five entries."""
    (page,) = (page for page in PAGES if "handbook" == page.path)
    for role in ("visitor", "student", "instructor", "at work"):
        assert page in pages_of(role)
        assert page in menus_of(role)[""]
        assert role in page.aside


def test_a_meaning_is_told_with_its_source() -> None:
    """A tooltip has the word, its meaning and its standard."""
    assert meaning("terminator").startswith("**terminator**: A 120 ohm resistor")
    assert meaning("terminator").endswith("(ISO 11898-2)")


def test_drawings_turn_dark_with_the_system_and_light_again(page: Page, address: str) -> None:
    """When the system's color scheme changes during a visit, every drawing follows it without a click."""
    go(page, f"{address}/handbook?chapter=technician")
    drawings = page.get_by_test_id("stMain").get_by_role("img").filter(has=page.locator("svg, table"))
    for scheme in (*SCHEMES, *SCHEMES):
        asked = page.evaluate("window.sent")
        in_scheme(page, scheme)
        expect(drawings.first).to_be_visible()
        for drawing in drawings.all():
            brightness = ImageStat.Stat(Image.open(BytesIO(drawing.screenshot())).convert("L")).median[0]
            assert (scheme == "light") == (brightness > 128), drawing.get_attribute("aria-label")
        assert asked == page.evaluate("window.sent")
