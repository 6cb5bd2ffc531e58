"""Drawings as XML trees. Source: XML 1.0 (fifth edition), 2.4 "Character Data and Markup"."""

from xml.etree import ElementTree

from sim.svg import node, text_of

HOSTILE = "<script>alert(1)</script>&\"'"


def test_what_is_written_is_read_again_by_any_parser() -> None:
    """Texts and attributes of the worst kind come back as they were, as texts and attributes."""
    root = node("svg", [node("title", HOSTILE)], aria_label=HOSTILE, class_="map", viewBox="0 0 1 1")
    again = ElementTree.fromstring(text_of(root))
    assert {"aria-label": HOSTILE, "class": "map", "viewBox": "0 0 1 1"} == again.attrib
    assert [("title", HOSTILE)] == [(child.tag, child.text) for child in again]


def test_numbers_are_short_and_none_leaves_an_attribute_out() -> None:
    """A number has six significant digits at most, and no attribute says None."""
    assert '<rect x="0.333333" y="12" />' == text_of(node("rect", x=1 / 3, y=12.0, style=None))
