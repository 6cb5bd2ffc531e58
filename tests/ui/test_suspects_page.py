"""Suspects on a page: from what was seen in the bay and from a case, why, and what to look at next."""

import time

import pytest
from streamlit.testing.v1 import AppTest

from sim.catalogue import shipped_cases
from sim.lab.case_file import read_case
from sim.lab.workshop import Workshop
from ui.state import lab_work
from ui.views.suspects import NEXT, PLAN, WORK

from .drawn import has_drawn
from .test_pages import held_of, opened, press

LOG = ["press start", "wait 5 s", "scan"]


@pytest.fixture(autouse=True)
def one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lab_work, "workshop", lambda: Workshop(workers=1))


def after(app: AppTest, key: str, work: str) -> AppTest:
    """Press, wait for the work, and draw what it found."""
    press(app, key)
    doing = app.session_state[work]
    while doing.going_on:
        time.sleep(0.05)
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def told(app: AppTest, what: str) -> str:
    return next(one.value for one in app.markdown if what in one.value)


def test_the_suspects_of_the_bay_and_the_check_that_parts_them() -> None:
    """The search finds the fault that is in the car, and the next check is offered."""
    held = held_of("six-modules.yaml", ("pull F5",))
    held.bench.do_all(LOG)
    app = after(opened("suspects", held), "suspects_find", WORK)
    found = app.session_state[WORK].found
    assert found.result.holds(["pull F5"])
    count = len(found.result.causes)
    assert has_drawn(app, "<td>F5: missing</td>"), "a cause as a technician names it, not as a command"
    assert not has_drawn(app, "<td>pull F5</td>")
    assert f"**{count} possible causes. All 56 were tried.**" == told(app, "tried")
    press(app, "suspects_follow")
    app = after(app, "next_find", NEXT)
    assert "Inspect F5" in told(app, "compared")
    assert not has_drawn(app, "<td>pull F5")
    app = after(app, "plan_make", PLAN)
    plan = app.session_state[PLAN].found
    assert ("look F5",) == plan.start.check.actions
    assert f"**{plan.words}**" == told(app, "expected until the cause is known")
    every = sum(1 + len(one.alike) for one in found.result.causes)
    assert every == sum(len(end.causes) for end in plan.ends)
    held.bench.do_all(["look F5"])
    app.run()
    assert ["The evidence has changed. Search again: only what is left is run."] == [
        one.value for one in app.info
    ]
    app = after(app, "suspects_find", WORK)
    narrowed = app.session_state[WORK].found.result
    assert ["pull F5"] == [one.title for one in narrowed.causes]
    assert narrowed.runs < found.result.runs + 2 * count


def test_a_change_made_at_the_beginning_can_be_taken_as_not_known() -> None:
    """With the switch on, the first change of the log counts as the hidden fault."""
    held = held_of("six-modules.yaml")
    held.bench.do_all(["wait 20 s", "unplug ABS", *LOG])
    app = opened("suspects", held)
    assert "Unplug ABS.C1" in [one.value for one in app.caption]
    app.toggle(key="suspects_hide").set_value(True).run()
    app = after(app, "suspects_find", WORK)
    found = app.session_state[WORK].found.result
    assert found.holds(["unplug ABS.C1"])
    assert not found.holds([])


def test_other_kinds_of_faults_are_suspects_where_they_are_chosen() -> None:
    """Faults beyond off, out and open are searched only if chosen."""
    held = held_of("six-modules.yaml", ("corrode G1 8 ohm",))
    held.bench.do_all([*LOG, "measure volts G1 to BAT-"])
    app = opened("suspects", held)
    app = after(app, "suspects_find", WORK)
    assert ["No possible cause left before it shows what step 3 saw"] == [
        one.value.partition(" (")[0] for one in app.info
    ]
    app.multiselect(key="suspects_kinds").set_value(["corroded grounds and supplies"]).run()
    app = after(app, "suspects_find", WORK)
    assert ["corrode G1 8 ohm"] == [one.title for one in app.session_state[WORK].found.result.causes]
    assert told(app, "tried").startswith("**One possible cause. All 63 were tried.")


def test_three_faults_are_offered_where_no_single_one_explains_it() -> None:
    """The page offers to look for three at once; what it finds is listed, and its switch says so."""
    held = held_of("six-modules.yaml", ("pull F2", "pull F5", "pull F7"))
    held.bench.do_all(LOG)
    app = after(opened("suspects", held), "suspects_find", WORK)
    assert () == app.session_state[WORK].found.result.causes
    app = after(app, "suspects_three", WORK)
    assert app.session_state[WORK].found.result.holds(["pull F2", "pull F5", "pull F7"])
    assert "up to three faults" == app.session_state["suspects_most"]
    assert "suspects_three" not in [one.key for one in app.button]


def test_the_suspects_of_a_case_are_asked_about_its_own_car() -> None:
    """A case is explained with its car, not with the one in the bay."""
    case = read_case(shipped_cases()["beehive-ground"])
    app = AppTest.from_function(_page, default_timeout=60)
    app.session_state["held"], app.session_state["jobs"] = held_of("six-modules.yaml"), []
    app.session_state["case"] = case
    app.session_state["suspects_of"] = f"the case: {case.case}"
    app.run()
    assert [] == [error.message for error in app.exception]
    assert not app.button(key="suspects_find").disabled


def _page() -> None:
    from ui.views import suspects

    suspects.show()
