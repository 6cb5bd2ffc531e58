"""The tester's panel identifies a module and writes into it: what is pressed is done, logged and shown."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from tests.ui.drawn import has_drawn
from ui.panels.set_up import MODULE

from .test_pages import held_of, log, opened, press


def on_panel(*given: str) -> AppTest:
    """A teaching car in the bay with these faults, ignition on, at the tester."""
    held = held_of("teaching-car.yaml")
    held.bench.do_all([*given, "key run", "wait 3 s"])
    app = opened("bay", held, "Tester")
    app.session_state[MODULE] = "ECM"
    return app.run()


def test_an_identification_shows_what_does_not_fit_and_coding_mends_it() -> None:
    """Identify, code, identify: three lines in the log, first with marks, at the end without."""
    app = press(on_panel("uncode ECM"), f"set up identify {{{MODULE}}}")
    assert has_drawn(app, "does not fit: BUSBAYTRAYNER0001 is needed")
    app = press(app, f"set up code {{{MODULE}}}")
    app = press(app, f"set up identify {{{MODULE}}}")
    assert ["identify ECM", "code ECM", "identify ECM"] == [text for text in log(app) if " ECM" in text][-3:]
    assert not has_drawn(app, "does not fit")


def test_a_dead_module_tells_nothing_and_cannot_be_flashed() -> None:
    """No answer is shown as such; the log has the try."""
    app = press(on_panel("fail ECM"), f"set up identify {{{MODULE}}}")
    assert has_drawn(app, "ECM: no answer")
    app = press(app, f"set up flash {{{MODULE}}}")
    assert "no answer: ECM" == app.session_state["held"].told[1]
