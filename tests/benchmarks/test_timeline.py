"""The time view costs less than what it shows."""

from time import process_time

from sim import catalogue
from sim.bench.bench import Bench
from ui.drawing.layout import WIDE, layout_of
from ui.drawing.playback import playback
from ui.drawing.timeline import picture
from ui.panels.timeline import framed
from ui.state.visible import all_visible

ROUNDS = 5


def test_drawing_the_cascade_of_the_minibus_takes_less_than_the_action_that_made_it() -> None:
    """The absent trailer module: trace to lanes, to a drawing with all modules, to the boxes of the map."""
    bench = Bench(catalogue.find_car("shuttle-minibus"), ["theory ECM waits for TRAILER"])
    bench.do("wait 20 s")
    layout, since_s = layout_of(bench.base), bench.now_s
    began_s = process_time()
    bench.do_all(["unplug TRAILER.C1", "press start with brake", "wait 10 s"])
    action_s = process_time() - began_s
    buses, visible = [line.bus for line in layout.lines], all_visible(bench)
    drawing_s = []
    for _ in range(ROUNDS):
        began_s = process_time()
        cascade = framed(bench.trace.events, since_s, bench.now_s)
        drawn = picture(bench.base, cascade, buses, WIDE, every_module=True)
        playback(cascade, drawn.axis, layout, visible)
        drawing_s.append(process_time() - began_s)
    print(f"\naction {action_s * 1000:.0f} ms, time view {min(drawing_s) * 1000:.0f} ms")
    assert min(drawing_s) < action_s
