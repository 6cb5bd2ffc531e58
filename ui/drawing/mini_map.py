"""The map as a strip of small boxes, for a phone: each module once, by bus, with the mark of its state."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from markupsafe import Markup

from sim.markup import macros
from sim.svg import node, text_of
from sim.vehicle.car import Car
from ui.drawing.car_map import BUS_HUES, MARKS
from ui.state.visible import Visible, VisibleModule

_html = macros(Path(__file__).with_name("mini_map.html"))


def mini_map(car: Car, visible: Visible, picked: str = "") -> Markup:
    """The strip; `picked` is the `data-id` that is chosen."""
    cells = [
        (hue, module, f"module {module.name}" == picked, _mark(module))
        for hue, module in _by_bus(car, visible)
    ]
    return _html("mini_map", car.title, cells)


def _by_bus(car: Car, visible: Visible) -> Iterator[tuple[str, VisibleModule]]:
    """Each module with the hue of the first bus it is on, bus after bus; those on no bus last."""
    lines = [[stop.name for stop in bus.stops] for bus in car.claimed.buses.values()]
    lines += [list(cluster.line) for cluster in car.claimed.lin.values()]
    shown: set[str] = set()
    for place, line in enumerate([*lines, list(visible.modules)]):
        for name in line:
            if name in visible.modules and name not in shown:
                shown.add(name)
                yield BUS_HUES[place % len(BUS_HUES)], visible.modules[name]


def _mark(module: VisibleModule) -> Markup:
    face = node("rect", x=-11.5, y=-9.5, width=23, height=19, rx=3, class_="face")
    mark = node("g", [face, MARKS[module.shape]()], class_=module.shape)
    return text_of(node("svg", [mark], class_="map", viewBox="-12 -10 24 20", aria_hidden="true"))
