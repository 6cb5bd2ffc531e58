"""The scope's screen as a matplotlib figure: grid, traces, levels, the frames that ran.

    figure(picture).savefig("sweep.png")
    figure(picture, size_in=(5.0, 4.4))      # for a narrow screen

Not modeled: brightness, the knobs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.instruments.scope import Cursors, Picture


@dataclass(frozen=True, slots=True)
class Paint:
    """Colors of the screen. traces: of both channels; common practice: CAN high yellow, low green."""

    traces: tuple[str, str]
    paper: str
    ink: str
    grid: str
    cursor: str


PAINT = Paint(("#b8860b", "#1f6f43"), "#ffffff", "#23282c", "#d9dee3", "#9a2a2a")
UNITS = ((1e-3, 1e6, "µs"), (1.0, 1e3, "ms"), (float("inf"), 1.0, "s"))  # sweeps below, factor, unit
MARGIN_V = 0.4
# the grid of a scope's screen: ten divisions of time, eight of voltage; a division is 1, 2 or 5 times a power
# of ten (common practice)
TIME_DIVISIONS, MOST_VOLT_DIVISIONS = 10, 8
STEPS = (1.0, 2.0, 5.0)
LEGEND_FROM_IN = 6.0  # on a narrower screen it would cover the traces


@dataclass(frozen=True, slots=True)
class Scale:
    """What a division of the grid is worth, and the voltages in V at the lower and the upper edge."""

    volt_v: float
    time_s: float
    low_v: float
    high_v: float


def scale(picture: Picture) -> Scale:
    """The scale of the screen for a sweep: the finest on which all of it fits."""
    low_v = min(0.0, *(float(one.volt.min()) for one in picture.channels)) - MARGIN_V
    high_v = max(3.0, *(float(one.volt.max()) for one in picture.channels)) + 2.5 * MARGIN_V
    finest = math.floor(math.log10((high_v - low_v) / MOST_VOLT_DIVISIONS))
    for step_v in (step * 10.0**power for power in (finest, finest + 1) for step in STEPS):
        first, last = math.floor(low_v / step_v), math.ceil(high_v / step_v)
        if last - first <= MOST_VOLT_DIVISIONS:
            break
    return Scale(step_v, picture.sweep_s / TIME_DIVISIONS, first * step_v, last * step_v)


def _divide(axes: Axes, picture: Picture, factor: float) -> None:
    """The grid of the scale, with a figure at every line of voltage and every second one of time."""
    divided = scale(picture)
    lines = round((divided.high_v - divided.low_v) / divided.volt_v)
    axes.set_ylim(divided.low_v, divided.high_v)
    axes.set_yticks([divided.low_v + number * divided.volt_v for number in range(lines + 1)])
    begin_s = float(picture.channels[0].time_s[0])
    axes.set_xlim(begin_s * factor, (begin_s + picture.sweep_s) * factor)
    times = [(begin_s + number * divided.time_s) * factor for number in range(TIME_DIVISIONS + 1)]
    axes.set_xticks(
        times, ["" if number % 2 == 0 else f"{round(one, 6) + 0.0:g}" for number, one in enumerate(times)]
    )


def figure(
    picture: Picture,
    cursors: Cursors | None = None,
    title: str = "",
    size_in: tuple[float, float] = (9.6, 4.2),
) -> Figure:
    """Both channels over one time axis, 0 at the first edge; cursors as dashed lines with their readings."""
    factor, unit = next((factor, unit) for limit_s, factor, unit in UNITS if picture.sweep_s < limit_s)
    drawn = Figure(figsize=size_in, layout="constrained", facecolor=PAINT.paper)
    axes = drawn.subplots()
    axes.set_facecolor(PAINT.paper)
    axes.tick_params(colors=PAINT.ink)
    for number, (one, trace) in enumerate(zip(picture.channels, PAINT.traces, strict=False), start=1):
        words = "floating" if one.floating else f"at rest {one.rest_v:.3f} V"
        label = f"{number}: {one.a} to {one.b}, {words}"
        axes.plot(one.time_s * factor, one.volt, color=trace, linewidth=1.3, label=label)
    high = max(float(one.volt.max()) for one in picture.channels)
    _divide(axes, picture, factor)
    for start_s, end_s, words in picture.frames:
        middle = (max(start_s, picture.channels[0].time_s[0]) + end_s) / 2 * factor
        if len(picture.frames) <= 4:
            axes.text(middle, max(high, 3.0) + MARGIN_V, words, ha="center", fontsize=7, color=PAINT.ink)
    for time_s in cursors.times_s if cursors else ():
        axes.axvline(time_s * factor, color=PAINT.cursor, linestyle="--", linewidth=0.9)
    axes.set_xlabel(f"time in {unit}, 0 is the first edge", color=PAINT.ink)
    axes.set_ylabel("V", color=PAINT.ink)
    axes.grid(color=PAINT.grid, linewidth=0.6)
    for edge in axes.spines.values():
        edge.set_color(PAINT.grid)
    if size_in[0] >= LEGEND_FROM_IN:
        axes.legend(
            loc="upper right", fontsize=8, framealpha=0.9, facecolor=PAINT.paper, edgecolor=PAINT.grid,
            labelcolor=PAINT.ink,
        )  # fmt: skip
    axes.set_title(title or picture.display, fontsize=9, loc="left", color=PAINT.ink, wrap=True)
    return drawn
