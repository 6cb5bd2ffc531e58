"""Three pictures of the first page, of our own drawing: who learns, who teaches, who has a car to solve."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

from markupsafe import Markup

from sim.svg import Node, node, text_of

WIDTH, HEIGHT = 220, 92
BODY = (
    "M14,64 h8 a12,12 0 0 1 24,0 h64 a12,12 0 0 1 24,0 h10 q6,0 6,-7 q0,-13 -26,-16 l-20,-17 "
    "q-5,-4 -12,-4 h-40 q-8,0 -13,6 l-13,15 q-14,2 -14,13 q0,10 2,10 z"
)
WINDOWS = "M48,39 l10,-12 q2,-2 5,-2 h10 v14 z M79,25 h12 q4,0 7,3 l12,11 h-31 z"

_line = partial(node, "path", class_="ink")
_filled = partial(node, "path", class_="fill")


def learn() -> Markup:
    """A car with one of its modules dark, under a magnifying glass."""
    glass = [
        node("circle", cx=112, cy=46, r=19, class_="glass"),
        _line(d="M126,59 L146,80", class_="ink wide"),
        node("rect", x=103, y=38, width=18, height=14, rx=2, class_="dark"),
        _line(d="M107,42 l10,6 M107,48 l10,-6"),
    ]
    return _picture("A car with one dark module under a magnifying glass", [*_car(24), *glass])


def teach() -> Markup:
    """A board with a car on it, and three people before it."""
    board = [
        node("rect", x=46, y=5, width=128, height=58, rx=4, class_="board"),
        node("g", _car(0), transform="translate(74,16) scale(0.5)"),
        _line(d="M58,52 h40 M104,52 h24 M134,52 h28", class_="thread"),
    ]
    people = [shape for x in (70, 110, 150) for shape in _person(x)]
    return _picture("A class before a board with a car on it", [*board, *people])


def solve() -> Markup:
    """A car with its line of modules, one end of it open, and a question mark."""
    stubs = "M52,84 v-10 M84,84 v-10 M116,84 v-10"
    shapes = [
        *_car(8),
        _line(d="M30,84 H132", class_="thread"),
        _line(d=stubs, class_="thread"),
        _line(d="M132,78 l8,12 M140,78 l-8,12", class_="alarm"),
        node("text", "?", x=188, y=62, class_="ask"),
    ]
    return _picture("A car with an open line, and a question mark", shapes)


def _car(x: float) -> list[Node]:
    wheels = [node("circle", cx=cx, cy=64, r=8, class_="wheel") for cx in (34, 122)]
    return [node("g", [_filled(d=BODY), _line(d=WINDOWS), *wheels], transform=f"translate({x:g},0)")]


def _person(x: float) -> list[Node]:
    return [
        node("circle", cx=x, cy=70, r=6.5, class_="fill"),
        _filled(d=f"M{x - 14:g},92 q0,-13 14,-13 q14,0 14,13 z"),
    ]


def _picture(words: str, shapes: Iterable[Node]) -> Markup:
    return text_of(
        node("svg", shapes, class_="door", viewBox=f"0 0 {WIDTH} {HEIGHT}", role="img", aria_label=words)
    )
