"""The scope's screen as a matplotlib figure: grid, traces, levels, the frames that ran.

    figure(picture).savefig("sweep.png")

Not modelled: brightness, the knobs.
"""

from __future__ import annotations

from matplotlib.figure import Figure

from sim.instruments.scope import Cursors, Picture

PAINT = ("#b8860b", "#1f6f43")  # first and second channel; common practice: CAN high yellow, CAN low green
UNITS = ((1e-3, 1e6, "µs"), (1.0, 1e3, "ms"), (float("inf"), 1.0, "s"))  # sweeps below, factor, unit
MARGIN_V = 0.4


def figure(picture: Picture, cursors: Cursors | None = None, title: str = "") -> Figure:
    """Both channels over one time axis, 0 at the first edge; cursors as dashed lines with their readings."""
    factor, unit = next((factor, unit) for limit_s, factor, unit in UNITS if picture.sweep_s < limit_s)
    drawn = Figure(figsize=(9.6, 4.2), layout="constrained")
    axes = drawn.subplots()
    for number, (one, paint) in enumerate(zip(picture.channels, PAINT, strict=False), start=1):
        words = "floating" if one.floating else f"at rest {one.rest_v:.3f} V"
        label = f"{number}: {one.a} to {one.b}, {words}"
        axes.plot(one.time_s * factor, one.volt, color=paint, linewidth=1.3, label=label)
    low = min(float(one.volt.min()) for one in picture.channels)
    high = max(float(one.volt.max()) for one in picture.channels)
    axes.set_ylim(min(low, 0.0) - MARGIN_V, max(high, 3.0) + 2.5 * MARGIN_V)
    axes.set_xlim(
        float(picture.channels[0].time_s[0]) * factor, float(picture.channels[0].time_s[-1]) * factor
    )
    for start_s, end_s, words in picture.frames:
        middle = (max(start_s, picture.channels[0].time_s[0]) + end_s) / 2 * factor
        if len(picture.frames) <= 4:
            axes.text(middle, max(high, 3.0) + MARGIN_V, words, ha="center", fontsize=7, color="#56606b")
    for time_s in cursors.times_s if cursors else ():
        axes.axvline(time_s * factor, color="#9a2a2a", linestyle="--", linewidth=0.9)
    axes.set_xlabel(f"time in {unit}, 0 is the first edge")
    axes.set_ylabel("V")
    axes.grid(color="#d9dee3", linewidth=0.6)
    axes.legend(loc="upper right", fontsize=8, framealpha=0.9)
    axes.set_title(title or picture.display, fontsize=9, loc="left")
    return drawn
