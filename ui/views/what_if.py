"""What if: the same actions on the same car, with and without each fault, repair or theory."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.actions import parse_action
from sim.lab.grid import Grid, run_grid
from sim.lab.suppositions import parts
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.problems import EditProblem
from ui.panels import grid_views, which_car
from ui.panels.controls import button
from ui.panels.suppose import add, choose_actions, listed
from ui.state import lab_work, turns
from ui.state.held import Held
from ui.state.suppositions import MOST_VARIED, USES, WORK, actions_now, choices, used
from ui.state.work import after_work, tells_problems


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    place = st.empty()
    held = after_work(place)
    st.title("What if ...")
    st.markdown(
        f"The **{held.car.title}** once more from the beginning, in every combination of what you suppose. "
        "A *fault* or *repair* is something done to the car, a *theory* is about how it was built."
    )
    which_car.offer(held)
    left, right = st.columns([1, 1.15], gap="large")
    with left:
        add(held)
    with right:
        listed(held)
        choose_actions(held)
    _play(held)
    found: tuple[Grid, tuple[str, ...]] | None = lab_work.found(WORK)
    if found is not None:
        grid_views.show(*found)


def _play(held: Held) -> None:
    varied = used(held, USES[0])
    if len(varied) > MOST_VARIED:
        st.warning(
            f"At most {MOST_VARIED} at a time can be varied; set the others to 'always' or 'left out'."
        )
        return
    words = f"Play all {2 ** len(varied)} combinations" if varied else "Play all combinations"
    start, nothing = partial(_start, held), not varied or not actions_now(held)
    help = None if varied else "first suppose something that is varied: 'with and without'"
    button(words, "suppose_play", start, icon="play_arrow", primary=True, disabled=nothing, help=help)


@tells_problems
def _start(held: Held) -> None:
    varied, actions = used(held, USES[0]), actions_now(held)
    if not 1 <= len(varied) <= MOST_VARIED or not actions:
        raise EditProblem(f"suppose 1 to {MOST_VARIED} things '{USES[0]}', and say what is done")
    given = [part for text in used(held, USES[1]) for part in parts(text)]
    closing = [] if actions and actions[-1] == "scan" else ["scan"]
    vehicle, car, varying = held.car_text, held.car, choices(held, varied)

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> tuple[Grid, tuple[str, ...]]:
        plan = [parse_action(text, car).text for text in (*actions, *closing)]
        grid = run_grid(vehicle, varying, plan, given=given, workshop=workshop, progress=progress, stop=stop)
        return grid, tuple(given)

    lab_work.start(WORK, task)
