"""Live data over time: a small line with its scale, as SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from markupsafe import Markup

from sim.bench.reading_out import LiveReading
from sim.svg import Node, node, text_of

WIDTH, HEIGHT = 330.0, 150.0  # as wide as a phone shows it, so that its words can be read there
LEFT, RIGHT, TOP, FOOT = 54.0, 10.0, 14.0, 24.0
LEAST_SPAN = 0.05  # of the scale, so that digits of a steady value do not look like a storm


def numeric_titles(readings: Sequence[LiveReading]) -> list[str]:
    """Live data that are numbers, by title, in the order of the latest reading that has any."""
    latest = next((one for one in reversed(readings) if one.rows), None)
    return [row.title for row in latest.rows if not isinstance(row.value, str)] if latest else []


def points_of(readings: Sequence[LiveReading], title: str) -> list[tuple[float, float]]:
    """Time in s and value of every reading that has this as a number."""
    return [
        (one.time_s, row.value)
        for one in readings
        for row in one.rows
        if row.title == title and not isinstance(row.value, str)
    ]


def graph(readings: Sequence[LiveReading], title: str) -> Markup:
    """The line of one of the live data over time; a title without numbers gives a sentence."""
    points = points_of(readings, title)
    if not points:
        return Markup('<p class="dim small">No numbers to draw.</p>')
    unit = next(row.unit for one in readings for row in one.rows if row.title == title)
    root = node(
        "svg", _parts(points, unit), class_="live-graph", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img",
        aria_label=_in_words(points, title, unit),
    )  # fmt: skip
    return text_of(root)


def _in_words(points: Sequence[tuple[float, float]], title: str, unit: str) -> str:
    values = [value for _, value in points]
    scale = f"from {min(values):.4g} to {max(values):.4g} {unit}".rstrip()
    return (
        f"{title} over {points[-1][0] - points[0][0]:.1f} s, {scale}, last {values[-1]:.4g} {unit}".rstrip()
    )


def _parts(points: Sequence[tuple[float, float]], unit: str) -> Iterator[Node]:
    times, values = zip(*points, strict=True)
    middle = (min(values) + max(values)) / 2
    half = max(max(values) - min(values), LEAST_SPAN * max(1.0, abs(middle))) / 2
    low, high = middle - half, middle + half
    since_s, span_s = times[0], max(times[-1] - times[0], 0.1)
    right, foot = WIDTH - RIGHT, HEIGHT - FOOT

    def at(time_s: float, value: float) -> tuple[float, float]:
        x = LEFT + (right - LEFT) * (time_s - since_s) / span_s
        return x, foot - (foot - TOP) * (value - low) / (high - low)

    for value in (low, middle, high):
        y = at(since_s, value)[1]
        yield node("line", x1=LEFT, x2=right, y1=y, y2=y, class_="rule")
        yield node("text", f"{value:.4g} {unit}".rstrip(), x=LEFT - 5, y=y + 4, text_anchor="end")
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in (at(*point) for point in points))
    yield node("polyline", points=path, class_="line")
    x, y = at(*points[-1])
    yield node("circle", cx=x, cy=y, r=3.5, class_="last")
    yield node("text", f"{times[0]:.1f} s", x=LEFT, y=HEIGHT - 6)
    yield node("text", f"{times[-1]:.1f} s", x=right, y=HEIGHT - 6, text_anchor="end")
