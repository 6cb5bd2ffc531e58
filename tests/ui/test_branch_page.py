"""Both futures of a log on a page, from the bay's log panel, and one of them taken into the bay."""

import time

from streamlit.testing.v1 import AppTest

from ui.state import bench_jobs
from ui.state.branch_source import WORK
from ui.state.held import Held

from .test_pages import held_of, log, opened, press


def held_with_a_log() -> Held:
    held = held_of("six-modules.yaml", ("pull F5",))
    held.bench.do_all(["press start", "wait 5 s", "unplug ABS", "wait 5 s", "scan"])
    return held


def played(app: AppTest) -> AppTest:
    """Wait for the work, and draw what it found."""
    press(app, "branch_play")
    work = app.session_state[WORK]
    while work.going_on:
        time.sleep(0.05)
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def test_another_future_is_laid_beside_the_first_and_taken_into_the_bay() -> None:
    """A branch runs from the chosen moment, shows both ends, and becomes the bench in the bay."""
    app = opened("instead", held_with_a_log())
    app.selectbox(key="branch_keep").set_value(2).run()
    app.text_area(key="branch_instead").set_value("unplug TCM\nwait 1 s\nwait 1 s").run()
    app = played(app)
    told = next(one.value for one in app.markdown if one.value.startswith("From "))
    assert "things differ" in told
    app.button(key="branch_take").click().run()  # and the bay would open, of which this test has none
    done = ["press start", "wait 5 s", "unplug TCM.C1", "wait 1 s", "wait 1 s", "wait 5 s", "scan"]
    assert done == log(app)
    assert ("pull F5",) == app.session_state["held"].bench.given
    assert 1 == len(app.session_state["held"].left_behind)


def test_the_same_line_can_be_put_in_twice() -> None:
    """Adding a line from the list appends it, even if it is there already."""
    app = opened("instead", held_with_a_log())
    app.selectbox(key="branch_instead_often").set_value("wait 2 s").run()
    press(press(app, "branch_instead_add"), "branch_instead_add")
    assert "wait 2 s\nwait 2 s" == app.text_area(key="branch_instead").value


def test_a_wrong_line_is_told_in_one_sentence() -> None:
    """An action that the car does not know is refused with its name, and nothing is run."""
    app = opened("instead", held_with_a_log())
    app.text_area(key="branch_instead").set_value("unplug ABSS").run()
    app = played(app)
    assert ["no connector 'ABSS' in this car; did you mean 'ABS'?"] == [one.value for one in app.warning]


def test_a_log_that_was_left_behind_can_be_branched_as_well() -> None:
    """The page offers every log that was left behind as a place to branch from."""
    held = held_with_a_log()
    held.leave("an older one")
    bench_jobs.start_again(held, lambda share: None)
    app = opened("instead", held)
    app.selectbox(key="branch_source").set_value("set aside: an older one").run()
    app = played(app)
    app.button(key="branch_take").click().run()  # and the bay would open, of which this test has none
    assert ["press start", "wait 5 s", "unplug ABS.C1", "wait 5 s"] == log(app)
