"""Pairs of faults on a page: found, told what is special about them, and tried in the bay."""

import time

import pytest

from sim.lab.workshop import Workshop
from ui.state import lab_work
from ui.views.pairs import MOST_EDITS, WORK

from .drawn import has_drawn
from .test_pages import held_of, opened, press


def test_a_pair_is_found_and_stands_in_the_bay(monkeypatch: pytest.MonkeyPatch) -> None:
    """All special pairs are listed, and the car of the first comes into the bay."""
    monkeypatch.setattr(lab_work, "workshop", lambda: Workshop(workers=1))
    app = opened("pairs", held_of("six-modules.yaml"))
    assert app.button(key="pairs_run").disabled
    app.multiselect(key="pairs_edits").set_value(["pull F2", "pull F8", "pull F9"]).run()
    assert "Run all 7" == app.button(key="pairs_run").label
    press(app, "pairs_run")
    while app.session_state[WORK].going_on:
        time.sleep(0.05)
    app.run()
    assert [] == [error.message for error in app.exception]
    _, found = app.session_state[WORK].found
    assert any(one.value == f"**{len(found)} pairs**, the hardest first" for one in app.markdown)
    assert has_drawn(app, "<td>F2: missing and F8: missing</td>")
    app.button(key="pairs_bay").click().run()  # and the bay would open, of which this test has none
    assert found[0].edits == app.session_state["held"].bench.given


def test_too_many_are_refused_in_one_sentence() -> None:
    """More faults than the limit are refused before anything is run."""
    app = opened("pairs", held_of("shuttle-minibus.yaml"))
    app.selectbox(key="pairs_verb").set_value("unplug").run()
    press(app, "pairs_add")
    count = len(app.multiselect(key="pairs_edits").value)
    assert [f"At most {MOST_EDITS} faults at a time; there are {count}."] == [
        one.value for one in app.warning
    ]
    assert app.button(key="pairs_run").disabled
