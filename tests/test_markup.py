"""Templates of HTML: what is put in is escaped, and nothing that is missing passes for an empty text."""

from pathlib import Path

import pytest
from jinja2 import UndefinedError
from markupsafe import Markup

from sim.markup import macros, page

HOSTILE = "<script>alert(1)</script>&\"'"
ESCAPED = "&lt;script&gt;alert(1)&lt;/script&gt;&amp;&#34;&#39;"


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """A file with one macro that writes a text and, beside it, what comes from another macro."""
    file = tmp_path / "line.html"
    file.write_text(
        '{% macro line(text, more) %}<p title="{{ text }}">{{ text }}{{ more.x }}</p>{% endmacro %}'
    )
    return file


def test_a_text_is_escaped_and_a_piece_of_html_is_not_escaped_again(line: Path) -> None:
    """A text of the worst kind is written out as a text; HTML from a template goes in as it is."""
    piece = macros(line)("line", "a", {"x": Markup("<br>")})
    assert '<p title="a">a<br></p>' == piece
    assert f'<p title="{ESCAPED}">{ESCAPED}<br></p>' == macros(line)("line", HOSTILE, {"x": Markup("<br>")})
    assert f'<p title="a">a{ESCAPED}</p>' == macros(line)("line", "a", {"x": HOSTILE})


def test_what_is_missing_is_an_error(line: Path, tmp_path: Path) -> None:
    """A macro or a value that is not there raises; no page is drawn with a hole in it."""
    with pytest.raises(AttributeError):
        macros(line)("another")
    with pytest.raises(UndefinedError):
        macros(line)("line", "a", {})
    file = tmp_path / "page_of_mine.html"
    file.write_text('{% extends "report.html" %}')
    with pytest.raises(UndefinedError):
        page(file, title="no disclaimer")


def test_a_page_has_one_frame(tmp_path: Path) -> None:
    """A page that extends the frame is whole HTML with its title in the head and its text in the body."""
    file = tmp_path / "page_of_mine.html"
    file.write_text('{% extends "page.html" %}{% block body %}<p>{{ title }}</p>{% endblock %}')
    text = page(file, title=HOSTILE)
    assert text.startswith('<!doctype html>\n<html lang="en"><head><meta charset="utf-8">')
    assert 1 == text.count(f"<title>{ESCAPED}</title>") == text.count(f"<p>{ESCAPED}</p>")
    assert text.endswith("</body></html>\n")
