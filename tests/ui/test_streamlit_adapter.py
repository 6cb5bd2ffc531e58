"""Private state of Streamlit that the front end reads: an upgrade that changes it turns a test here red."""

import pytest
from streamlit.proto.WidgetStates_pb2 import WidgetState, WidgetStates
from streamlit.runtime.scriptrunner_utils.script_requests import RerunData, ScriptRequests

from ui.state.streamlit_adapter import draw_whole_page_next, pressed_in, pressed_meanwhile

KEY = "call_off_the_work"


def _asked(**widget: object) -> ScriptRequests:
    """A queue in which a browser has asked for a run with the state of one widget."""
    requests = ScriptRequests()
    assert requests.request_rerun(RerunData(widget_states=WidgetStates(widgets=[WidgetState(**widget)])))
    return requests


def test_a_press_that_waits_is_seen() -> None:
    """A run asked for by a press of the button is found in Streamlit's own queue by the button's key."""
    assert pressed_in(_asked(id=f"$$ID-0123abcd-{KEY}", trigger_value=True), KEY)


@pytest.mark.parametrize(
    "widget",
    [
        {"id": f"$$ID-0123abcd-{KEY}", "trigger_value": False},
        {"id": "$$ID-0123abcd-another_button", "trigger_value": True},
        {"id": f"$$ID-0123abcd-{KEY}", "int_value": 1},
    ],
)
def test_anything_else_that_waits_is_no_press(widget: dict[str, object]) -> None:
    """A run asked for by another widget, or with the button at rest, calls nothing off."""
    assert not pressed_in(_asked(**widget), KEY)


def test_an_empty_queue_holds_no_press() -> None:
    """Without a request, and outside of any run, no button counts as pressed."""
    assert not pressed_in(ScriptRequests(), KEY)
    assert not pressed_in(None, KEY)
    assert not pressed_meanwhile(KEY)


def test_outside_a_run_no_page_is_drawn_next() -> None:
    """Without a run there is no page; within one `test_troubles_table.py` shows that it comes back."""
    assert not draw_whole_page_next()
