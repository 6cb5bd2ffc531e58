"""A battery as a picture: case, posts, clamps, vents; its clamps on or off, a lead on a post."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from sim.markup import macros
from sim.svg import Node, node, text_of

_html = macros(Path(__file__).with_name("battery.html"))

WIDTH, HEIGHT = 360, 168
LID_Y, POST_W = 62, 26
VENTS = 6  # cells of a lead battery of 12 V


@dataclass(frozen=True, slots=True)
class Post:
    """A post: its terminal, the clamp on it, its sign, where it is."""

    terminal: str
    clamp: str
    sign: str
    words: str
    x: float


POSTS = (
    Post("BAT+", "BAT.POS", "+", "positive", 84.0),
    Post("BAT-", "BAT.NEG", "−", "negative", 276.0),
)


def battery(
    off: Collection[str], caution: str, idents: Mapping[str, str], picked: Collection[str] = ()
) -> Markup:
    """The battery with its caution.

    off: the clamps that are off. idents: the `data-id` of each post, by terminal; without, it is only seen.
    picked: the terminals that are chosen, or have a lead on them.
    """
    posts = [
        _pickable(post, post.clamp in off, idents.get(post.terminal), post.terminal in picked)
        for post in POSTS
    ]
    drawing = node(
        "svg", [*_case(), *posts], class_="battery", viewBox=f"0 0 {WIDTH} {HEIGHT}",
        role="group", aria_label="battery",
    )  # fmt: skip
    return _html("battery", text_of(drawing), caution)


def _case() -> Iterator[Node]:
    yield node("rect", x=38, y=LID_Y + 12, width=284, height=86, rx=6, class_="case")
    yield node("rect", x=30, y=LID_Y, width=300, height=22, rx=5, class_="lid")
    for number in range(VENTS):
        yield node("circle", cx=122 + 23.2 * number, cy=LID_Y + 11, r=5.5, class_="vent")
    for x in (100, 260):
        yield node("path", d=f"M{x},{LID_Y + 34} v52", class_="rib")
    yield node("path", d="M180,98 l24,42 h-48 Z", class_="sign")
    yield node("text", "!", x=180, y=134, class_="mark")


def _post(post: Post, off: bool) -> Iterator[Node]:
    """The post with its cable: the clamp around it, or beside it where it is off."""
    outward = -1 if post.x < WIDTH / 2 else 1
    yield node("rect", x=post.x - POST_W / 2, y=LID_Y - 20, width=POST_W, height=20, rx=3, class_="post")
    yield node("text", post.sign, x=post.x, y=LID_Y + 62, class_="pole")
    x, y = (post.x + 44 * outward, LID_Y - 42) if off else (post.x, LID_Y - 12)
    end_x = post.x + 72 * outward
    yield node(
        "path", d=f"M{x:g},{y:g} C{x:g},{y - 34:g} {end_x:g},{y - 10:g} {end_x:g},2", class_="lead edge"
    )
    cable = f"M{x:g},{y:g} C{x:g},{y - 34:g} {end_x:g},{y - 10:g} {end_x:g},2"
    yield node("path", d=cable, class_="lead edge")
    yield node("path", d=cable, class_=f"lead {'red' if post.sign == '+' else 'black'}")
    yield node("rect", x=x - 19, y=y - 7, width=38, height=13, rx=4, class_="clamp")
    yield node("circle", cx=x + 13 * outward, cy=y, r=3, class_="bolt")


def _pickable(post: Post, off: bool, ident: str | None, picked: bool) -> Node:
    words = f"{post.words} post, its clamp {'off' if off else 'on'}"
    shapes = [*_post(post, off)]
    class_ = "picked" if picked else None
    if ident is None:
        return node("g", [node("title", words), *shapes], class_=class_)
    around = node("rect", x=post.x - 30, y=LID_Y - 26, width=60, height=100, rx=8, class_="place")
    return node(
        "g", [around, *shapes], class_=class_, data_id=ident, tabindex="0", role="button",
        aria_label=words, aria_pressed=str(picked).lower(),
    )  # fmt: skip
