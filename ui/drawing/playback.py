"""What the browser needs to play a cascade: for each box of the map its drawings that follow one another.

Not modeled: connectors that were taken off meanwhile are on the map as they are now.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from sim.bench.cascade import Cascade, Lane, Stretch
from ui.drawing.car_map import module_box
from ui.drawing.layout import Box, Layout
from ui.drawing.timeline import STATE_SHAPES, Axis
from ui.state.visible import STATE_WORDS, Visible, VisibleModule

SPEEDS = (0.1, 0.3, 1, 3, 10, 30, 100)  # of simulated time; the slow ones for cascades of a second
PLAYS_S = 8.0  # how long a span is played at first, about


def playback(
    cascade: Cascade, axis: Axis, layout: Layout, visible: Visible, picked: str = ""
) -> dict[str, Any]:
    """Start, end, where they are in the drawing, and the changes of each box: `[time, drawing]`.

    At the end the map is as it is drawn for now.
    """
    boxes = [[f"module {box.module}", [*_changes(cascade, box, visible, picked)]] for box in layout.boxes]
    return {
        "start_s": cascade.start_s,
        "end_s": cascade.end_s,
        "left": axis.left,
        "right": axis.right,
        "boxes": boxes,
    }


def speed_at_first(cascade: Cascade) -> float:
    """The speed at which a cascade takes some seconds."""
    span_s = cascade.end_s - cascade.start_s
    return min(SPEEDS, key=lambda speed: abs(math.log(span_s / speed / PLAYS_S)))


def _changes(cascade: Cascade, box: Box, visible: Visible, picked: str) -> Iterator[tuple[float, str]]:
    """The drawings of one box, each from a time on."""
    stretches = cascade.stretches.get(Lane("module", box.module), ())
    counts = cascade.codes.get(box.module, ())
    times = {one.start_s for one in stretches} | {time_s for time_s, _ in counts}
    for time_s in sorted(times):
        stretch = next(one for one in reversed(stretches) if one.start_s <= time_s)
        held = next((count for since_s, count in reversed(counts) if since_s <= time_s), 0)
        then = module_then(visible.modules[box.module], stretch, held)
        yield time_s, str(module_box(box, then, picked))


def module_then(module: VisibleModule, stretch: Stretch, codes: int) -> VisibleModule:
    """A module as the map showed it in a stretch of time."""
    shape = STATE_SHAPES.get(stretch.value, stretch.value)
    word = f"waits: {stretch.item}" if stretch.item else STATE_WORDS.get(stretch.value, stretch.value)
    waiting_for = tuple(stretch.item.split(", ")) if stretch.item else ()
    return replace(module, shape=shape, word=word, waiting_for=waiting_for, code_count=codes)
