"""Nothing of Streamlit's own goes into the server's log while a person works."""

import logging
from types import SimpleNamespace

import pytest
from streamlit.elements.lib import policies
from streamlit.testing.v1 import AppTest

from tests.ui.test_pages import held_of


def _page_after_a_click(path: str, state: dict[str, object]) -> None:
    import streamlit as st

    from ui.registry import PAGES
    from ui.state.session import open_session

    open_session()
    for key, value in state.items():
        st.session_state[key] = value
    next(page for page in PAGES if page.path == path).show()


@pytest.fixture
def warned(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The keys of widgets that were set from elsewhere though they have a default: a 40-line stack each."""
    keys: list[str] = []
    monkeypatch.setattr(policies, "_shown_default_value_warning", False)
    monkeypatch.setattr(policies, "runtime", SimpleNamespace(exists=lambda: True))
    logger = logging.getLogger(policies.__name__)
    monkeypatch.setattr(logger, "warning", lambda words, key, **_: keys.append(key))
    return keys


@pytest.mark.parametrize(
    ("path", "state"),
    [
        ("diagrams", {"lead": "black", "sheets": "connectors"}),  # a pin was clicked on a drawing
        ("bay", {"panel": "Seat", "pause_s": 2}),
        ("car", {"car_view": "fuses"}),
        ("suspects", {"suspects_most": "one fault", "suspects_limit": 15}),  # fields of an earlier visit
        ("instead", {"branch_rest_follows": False, "branch_keep": 1}),
    ],
)
def test_what_is_set_by_a_click_elsewhere_prints_no_stack(
    path: str, state: dict[str, object], warned: list[str]
) -> None:
    """A field that a click on a drawing or a kept field sets has no default of its own."""
    held = held_of("six-modules.yaml")
    for text in ("wait 20 s", "press start", "scan"):
        held.bench.do(text)
    app = AppTest.from_function(_page_after_a_click, args=(path, state), default_timeout=60)
    app.session_state["held"], app.session_state["jobs"] = held, []
    app.run()
    assert [] == [error.message for error in app.exception]
    assert [] == warned
