"""No label of a drawing is printed over another."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple
from xml.etree import ElementTree

import pytest

from sim.catalogue import find_car, shipped_cars
from sim.instruments.diagram import drawing
from sim.instruments.module_diagram import face
from sim.instruments.service import ServiceInformation

LETTER_W = 0.53  # of the size of the type: a usual mean for a sans-serif face
ABOVE, BELOW = 0.75, 0.15  # of the size of the type, from the base line
TOUCH_PX = 1


class Label(NamedTuple):
    """A text of a drawing, and the box that it fills."""

    words: str
    left: float
    top: float
    right: float
    bottom: float


def labels(svg: str) -> Iterator[Label]:
    """All texts of a drawing."""
    for one in ElementTree.fromstring(svg).iter():
        if one.tag.endswith("text") and one.text:
            size, x, y = (float(one.get(name, 0)) for name in ("font-size", "x", "y"))
            width = LETTER_W * size * len(one.text)
            left = x - width * {"start": 0, "middle": 0.5, "end": 1}[one.get("text-anchor", "start")]
            yield Label(one.text, left, y - ABOVE * size, left + width, y + BELOW * size)


def overprinted(svg: str) -> list[tuple[str, str]]:
    """Pairs of texts that cover each other."""
    return [
        (one.words, other.words)
        for one, other in combinations(labels(svg), 2)
        if min(one.right, other.right) - max(one.left, other.left) > TOUCH_PX
        and min(one.bottom, other.bottom) - max(one.top, other.top) > TOUCH_PX
    ]


@pytest.mark.parametrize("name", shipped_cars())
def test_no_label_of_a_drawing_covers_another(name: str) -> None:
    """On every circuit and every connector of a shipped car each text can be read."""
    papers = ServiceInformation(find_car(name))
    car = papers.vehicle
    kinds = (
        car.modules,
        car.buses,
        car.lin,
        car.fuses,
        car.relays,
        car.grounds,
        car.sensors,
        car.loads,
        car.switches,
    )
    drawn = {one: drawing(papers, one) for kind in kinds for one in kind}
    drawn |= {plug.id: face(papers, plug.id) for plug in papers.car.connectors.values() if plug.pins}
    found = {one: covered for one, svg in drawn.items() if (covered := overprinted(svg))}
    assert {} == found


def test_the_check_itself_finds_a_label_over_another() -> None:
    """Two texts at one place are found, two beside each other are not."""
    texts = '<text x="{}" y="10" font-size="10">{}</text>'
    over = f"<svg>{texts.format(0, 'engine bay')}{texts.format(20, 'dash')}</svg>"
    beside = f"<svg>{texts.format(0, 'engine bay')}{texts.format(60, 'dash')}</svg>"
    assert [("engine bay", "dash")] == overprinted(over)
    assert [] == overprinted(beside)
