"""The one place that reads private state of Streamlit; its test fails where an upgrade changes that state.

Streamlit 1.67 lets a run inside a fragment come to its end before it tells of a click, so its queue is read.
"""

from __future__ import annotations

from collections.abc import Callable

from streamlit import runtime
from streamlit.proto.WidgetStates_pb2 import WidgetState
from streamlit.runtime.scriptrunner import get_script_run_ctx
from streamlit.runtime.scriptrunner_utils.exceptions import StopException
from streamlit.runtime.scriptrunner_utils.script_requests import RerunData, ScriptRequests, ScriptRequestType

__all__ = ["StopException", "browser_is_there", "draw_whole_page_next", "pressed_in", "pressed_meanwhile"]


def pressed_meanwhile(key: str) -> bool:
    """Whether the button with this key was pressed since this run began; False outside a run."""
    context = get_script_run_ctx(suppress_warning=True)
    return context is not None and pressed_in(context.script_requests, key)


def browser_is_there() -> Callable[[], bool]:
    """Return a question for any thread: is the browser of this run's session still connected?"""
    context = get_script_run_ctx(suppress_warning=True)
    if context is None or not runtime.exists():
        return lambda: True
    server, session = runtime.get_instance(), context.session_id
    return lambda: server.is_active_session(session)


def draw_whole_page_next() -> bool:
    """Have the whole page drawn when this run is over, if only a part of it is drawn now; False otherwise."""
    context = get_script_run_ctx(suppress_warning=True)
    if context is None or context.script_requests is None or not context.fragment_ids_this_run:
        return False
    whole = RerunData(
        query_string=context.query_string,
        page_script_hash=context.page_script_hash,
        cached_message_hashes=context.cached_message_hashes,
        context_info=context.context_info,
    )
    return context.script_requests.request_rerun(whole)


def pressed_in(requests: ScriptRequests | None, key: str) -> bool:
    """Whether a run waits in the queue that begins with a press of the button with this key."""
    if requests is None or requests._state is not ScriptRequestType.RERUN:  # noqa: SLF001
        return False
    data = requests._rerun_data  # noqa: SLF001
    states = data.widget_states if data else None
    return states is not None and any(_is_press(one, key) for one in states.widgets)


def _is_press(one: WidgetState, key: str) -> bool:
    return one.trigger_value and one.id.endswith(f"-{key}")
