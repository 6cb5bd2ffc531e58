"""A refresh of the browser, which is a new visit to the same address, gives back what was typed."""

import json
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from ui.state import classroom, kept
from ui.state.kept import FIELDS, FIELDS_KIND

from .test_pages import page_alone, press
from .test_stale_clicks import at_once, choose, supposed

PASSPHRASE = "correct horse battery staple"


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))


@pytest.fixture
def key() -> str:
    """A bench that nobody has been at."""
    return secrets.token_urlsafe(9)


@pytest.fixture
def token() -> Iterator[str]:
    """What the door gives an instructor, and the browser's cookie keeps."""
    door = classroom.door()
    door.set_passphrase(PASSPHRASE)
    yield door.open(PASSPHRASE)
    door.forget_passphrase()


def visit(page: str, key: str, token: str = "") -> AppTest:
    """A new visit to an address, by an instructor if the browser has a token."""
    app = AppTest.from_function(page_alone, args=(page,), default_timeout=60)
    app.query_params["bench"] = key
    app.session_state["token"] = token
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def chosen(app: AppTest, **values: Any) -> dict[str, Any]:
    """Choose, let the page be drawn, and what stands there then."""
    for name, value in values.items():
        choose(app, name, value)
    app.run()
    assert [] == [error.message for error in app.exception]
    return {name: app.session_state[name] for name in values}


def test_the_time_view_keeps_its_span_and_its_switches(key: str) -> None:
    """How long to watch, all modules or not, and where it is drawn, are as they were before a reload."""
    set_to = {"panel": "Watch", "watch_span": "10 min", "watch_all": True, "watch_wide": True}
    app = visit("bay", key)
    for name, value in set_to.items():
        app.session_state[name] = value
    app.run()
    again = visit("bay", key)
    assert set_to == {name: again.session_state[name] for name in set_to}


def test_what_if_keeps_its_list_and_its_actions(key: str) -> None:
    """Suppositions, their uses and the actions are there after a refresh."""
    app = visit("what-if", key)
    app.selectbox(key="suppose_kind").select("fault from the catalogue").run()
    for fault in ("pull F1", "pull F2"):
        at_once(app, "suppose_add", suppose_fault=fault)
    chosen(app, suppose_log="my own list")
    chosen(app, what_if_own="wait 1 s\nscan", **{"use pull F1": "always"})
    again = visit("what-if", key)
    assert ["pull F1", "pull F2"] == supposed(again)
    assert ["always", "with and without"] == [
        again.selectbox(key=f"use {fault}").value for fault in ("pull F1", "pull F2")
    ]
    assert "wait 1 s\nscan" == again.text_area(key="what_if_own").value
    assert "Play all 2 combinations" == again.button(key="suppose_play").label
    other = visit("what-if", secrets.token_urlsafe(9))
    assert [] == supposed(other)


def test_suspects_keep_the_question_and_the_next_page_the_case_that_is_typed(key: str) -> None:
    """Also where Suspects is opened first, and what is typed stays while another page is open."""
    app = visit("case", key)
    at_once(app, "case_open", case_shipped="beehive-ground")
    typed = chosen(
        app, step_do="scan", step_seen=["engine stopped", "ECM U0101 present"], step_reads=12.4,
        step_within=0.3, story_name="Water", story_edits=["pull F1"], experiment_do="wait 3 s",
    )  # fmt: skip
    of = f"the case: {app.session_state['case'].case}"
    question = {"suspects_of": of, "suspects_most": "one or two faults", "suspects_limit": 15,
                "suspects_kinds": ["corroded grounds and supplies"]}  # fmt: skip
    assert question == chosen(visit("suspects", key), **question)
    again = visit("suspects", key)
    assert question == {name: again.session_state[name] for name in question}
    assert not again.button(key="suspects_find").disabled
    again = visit("case", key)
    assert typed == {name: again.session_state[name] for name in typed}
    assert {"step_do": "scan", "story_name": "Water"} == {
        name: next(one.value for one in (*again.text_area, *again.text_input) if one.key == name)
        for name in ("step_do", "story_name")
    }
    stories = len(again.session_state["case"].stories)
    press(again, "story_add")
    assert stories + 1 == len(again.session_state["case"].stories)
    assert ("", []) == (again.session_state["story_name"], again.session_state["story_edits"])


def test_other_pages_of_the_lab_keep_what_was_chosen(key: str) -> None:
    """Fields of the other lab pages are there after a refresh."""
    app = visit("pairs", key)
    chosen(app, pairs_edits=["pull F1", "pull F2"])
    app = visit("instead", key)
    chosen(app, branch_instead="scan", branch_keep=0)
    assert ["pull F1", "pull F2"] == visit("pairs", key).multiselect(key="pairs_edits").value
    again = visit("instead", key)
    assert ("scan", 0) == (again.text_area(key="branch_instead").value, again.session_state["branch_keep"])


def test_a_described_car_keeps_its_name_and_its_bit_rates(key: str) -> None:
    """A refresh gives back the title and the bit rates of the table."""
    rows = [{"module": "ECM", "bus": "main"}, {"module": "BCM", "bus": "main"}]
    empty = {"place": None, "fuse": "", "ground": "", "inline": "", "hears": "", "sends": ""}
    table = {"title": "Van", "rows": [empty | row for row in rows], "bitrates": {}}
    kept.keep("tables", key, json.dumps(table))
    chosen(visit("describe", key), quick_title="Ruth's van", **{"quick_rate main": 250_000})
    again = visit("describe", key).session_state["quick"]
    assert ("Ruth's van", {"main": 250_000}) == (again.title, again.bitrates)
    assert ["ECM", "BCM"] == [row.module for row in again.rows]


def test_an_author_finds_the_draft_again(key: str, token: str) -> None:
    """Every field of an instructor's draft is there in a new session."""
    chosen(visit("author", key, token), draft_exercise="Quite my own", draft_tools=["eye", "scan"])
    again = visit("author", key, token)
    assert "Quite my own" == again.text_input(key="draft_exercise").value
    assert {"eye", "scan"} == set(again.session_state["draft_tools"])
    press(again, "author_new")


NONSENSE = {str: "nonsense", list: ["nonsense"], int: -1, bool: True, float: 7.0}


@pytest.mark.parametrize("page", ["what-if", "instead", "suspects", "pairs", "case"])
def test_what_was_kept_and_is_nothing_of_ours_harms_no_page(page: str, key: str) -> None:
    """Of a car that is no longer there, of an older version, or no value of its field at all."""
    nonsense = {name: NONSENSE.get(kind, 7.0) for name, kind in FIELDS.items()} | {"suppose_repairs": []}
    kept.keep(FIELDS_KIND, key, json.dumps(nonsense))
    visit(page, key)


@pytest.mark.parametrize("text", ["", "[]", "{"])
def test_what_cannot_be_read_is_nothing(text: str, key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A kept text that is no JSON of ours leaves the fields empty."""
    kept.keep(FIELDS_KIND, key, text)
    state: dict[str, Any] = {}
    monkeypatch.setattr("ui.state.kept.st.session_state", state)
    kept.take_up_fields(key)
    assert {} == state


def test_only_fields_are_taken_up_and_only_with_values_of_their_kind(
    key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unknown names and values of another type are not put into the session."""
    state: dict[str, Any] = {"what_if_own": "scan"}
    told = {"held": "x", "case_title": 7, "story_name": "Water", "use pull F1": "always", "what_if_own": "x"}
    kept.keep(FIELDS_KIND, key, json.dumps(told))
    monkeypatch.setattr("ui.state.kept.st.session_state", state)
    kept.take_up_fields(key)
    assert {"what_if_own": "scan", "story_name": "Water", "use pull F1": "always"} == state
