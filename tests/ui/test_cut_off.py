"""Work of the lab's pages that ends before its end: canceled, its processes killed, a full disk.

The long story with real kills is in `test_lab_killed.py`; here each page has each ending.
"""

from __future__ import annotations

import errno
import os
import time
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from typing import Any, NoReturn

import pytest
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_cases
from sim.lab.case_file import read_case
from sim.lab.workshop import Stopped
from ui.state import branch_source, case_now, search_question, suppositions
from ui.state.lab_work import LabWork
from ui.views import pairs

from .test_pages import held_of, opened, press

DISK = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
ENDINGS: dict[str, Exception] = {
    "canceled; the runs that were finished are kept": Stopped(),
    "the lab cannot carry this out (No space left on device)": DISK,
    "the lab cannot carry this out (killed)": BrokenProcessPool("killed"),
}


@dataclass(frozen=True)
class Begun:
    """A page of the lab, the button that begins its work, the work's name, and what it calls."""

    page: str
    button: str
    work: str
    calls: str
    state: dict[str, Any] = field(default_factory=dict)


PAGES = [
    Begun(
        "what-if",
        "suppose_play",
        suppositions.WORK,
        "ui.views.what_if.run_grid",
        {"suppose_log": "a plain morning"},
    ),
    Begun("instead", "branch_play", branch_source.WORK, "ui.views.branch.branch", {"branch_keep": 1}),
    Begun("suspects", "suspects_find", search_question.WORK, "ui.views.suspects.search_on"),
    Begun(
        "pairs",
        "pairs_run",
        pairs.WORK,
        "ui.views.pairs.find_compounds",
        {"pairs_edits": ["pull F1", "pull F2"]},
    ),
    Begun("case", "case_run", case_now.WORK, "ui.views.case.try_stories"),
]


@pytest.mark.parametrize("begun", PAGES, ids=lambda begun: begun.page)
def test_work_that_is_cut_off_is_told_in_one_sentence_and_can_be_begun_again(
    begun: Begun, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page says why and has its button again, after a cancel, a killed process and a full disk."""
    monkeypatch.setattr("ui.state.lab_work.workshop", lambda: None)
    held = held_of("six-modules.yaml")
    held.bench.do_all(["press start", "unplug ABS.C1", "scan"])
    state = {"pairs_of": held.car_text, "suppositions": (held.car_text, ["pull F1"]), **begun.state}
    case = read_case(shipped_cases()["beehive-ground"])
    app = opened(begun.page, held, case=case, **state)
    for sentence, ending in ENDINGS.items():
        monkeypatch.setattr(begun.calls, _raising(ending))
        press(app, begun.button)
        assert [sentence] == [one.value for one in _ended(app, begun.work).warning]
        assert not app.button(key=begun.button).disabled


def _raising(ending: Exception) -> Any:
    def work(*_: object, **__: object) -> NoReturn:
        raise ending

    return work


def _ended(app: AppTest, name: str) -> AppTest:
    """The page once its work has ended."""
    work: LabWork = app.session_state[name]
    while work.going_on:
        time.sleep(0.01)
    app.run()
    assert [] == [error.message for error in app.exception]
    return app
