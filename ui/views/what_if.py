"""What if: the same actions on the same car, with and without each fault, repair or theory."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.actions import parse_action
from sim.lab.grid import run_grid
from sim.lab.grid_report import grid_csv, grid_html, grid_json, grid_sections
from sim.lab.grid_table import Grid
from sim.lab.report import DISCLAIMER, Section
from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.jobs import REPAIRS
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.problems import EditProblem, Problem
from ui.drawing import sheet
from ui.drawing.cause_pictures import MOST_COMBINATIONS, cause_diagram, matrix
from ui.drawing.tables import section as section_html
from ui.drawing.tables import side_by_side
from ui.panels import which_car
from ui.panels.action_lines import lines_of
from ui.state import bench_jobs, lab_work, work
from ui.state.held import Held
from ui.state.outcomes import combinations, rows, step_words
from ui.state.work import as_shown, tells_problems, worked_off

LEFT_OUT = "left out"
USES = ("with and without", "always", LEFT_OUT)
MOST_VARIED = 8  # 256 runs; more is for the command line
MOST_SIDE_BY_SIDE = 8  # columns
WORK = "what_if_work"
BAY, MORNING, OWN = "what was done in the bay", "a plain morning", "my own list"


def show() -> None:
    """The page; a fragment of its own."""
    _what_if()


@st.fragment
def _what_if() -> None:
    place = st.empty()
    held = worked_off(place)
    st.title("What if ...")
    st.markdown(
        f"The **{held.car.title}** once more from the beginning, in every combination of what you suppose. "
        "A *fault* or *repair* is something done to the car, a *theory* is about how it was built."
    )
    which_car.offer(held)
    left, right = st.columns([1, 1.15], gap="large")
    with left:
        _add(held)
    with right:
        _list(held)
        _choose_actions(held)
    _play(held)
    _shown(held)


def from_case(held: Held, suppositions: list[str], repairs: list[str], actions: list[str]) -> None:
    """Put a question on the page: what to suppose, repairs of that, and what is done."""
    _store(held, suppositions)
    for text in suppositions[MOST_VARIED:]:
        st.session_state[f"use {text}"] = LEFT_OUT
    st.session_state.suppose_repairs = [held.car_text, repairs]
    st.session_state.suppose_log = OWN
    st.session_state.what_if_own = "\n".join(actions)


def _suppositions(held: Held) -> list[str]:
    """What is supposed; begins with what the bench was given."""
    kept = st.session_state.get("suppositions")
    if not kept or kept[0] != held.car_text:
        st.session_state.suppositions = kept = [held.car_text, list(held.bench.given)]
        lab_work.forget(WORK)
    return list(kept[1])


def _store(held: Held, texts: list[str]) -> None:
    st.session_state.suppositions = [held.car_text, texts]
    lab_work.forget(WORK)


def _add(held: Held) -> None:
    st.markdown("**Add what you suppose**")
    kind = st.selectbox(
        "kind", list(FORMS), key="suppose_kind", label_visibility="collapsed", persist_state="session"
    )
    sentence = FORMS[kind](held)
    st.button(
        "Suppose this",
        key="suppose_add",
        icon=":material/add:",
        disabled=not sentence,
        on_click=partial(_append, held, kind, sentence),
    )
    if st.session_state.get("suppose_problem"):
        st.error(st.session_state.suppose_problem, icon=":material/block:")


def _append(held: Held, kind: str, sentence: str) -> None:
    st.session_state.suppose_problem = ""
    try:
        if st.session_state.suppose_kind != kind:
            raise EditProblem("choose first what to suppose")
        parts = "".join(as_shown(sentence)()).split(";")
        text = "; ".join(parse_edit(part, held.car).text for part in parts)
    except Problem as problem:
        st.session_state.suppose_problem = str(problem)
        return
    known = _suppositions(held)
    if text not in known:
        _store(held, [*known, text])


def _waits(held: Held) -> str:
    modules = list(held.car.built.modules)
    one = st.selectbox("this module", modules, key="waits_who")
    st.selectbox("waits at its start for", [name for name in modules if name != one], key="waits_for")
    return "theory {waits_who} waits for {waits_for}"


def _through(held: Held) -> str:
    buses = held.car.built.buses
    bus = st.selectbox("this bus", list(buses), key="through_bus")
    modules = [stop.name for stop in buses[bus].stops if stop.name in held.car.built.modules]
    st.selectbox("runs in and out through the connector of", modules, key="through_module")
    return "theory {through_bus} runs through {through_module}"


def _feeds(held: Held) -> str:
    fuses = held.car.built.fuses
    if not fuses:
        st.caption("This car's file names no fuses.")
        return ""
    st.selectbox(
        "this fuse",
        list(fuses),
        key="feeds_fuse",
        format_func=lambda one: f"{one} · {fuses[one].title or fuses[one].location}",
    )
    consumers = [end.target for spec in fuses.values() for end in spec.ends]
    st.selectbox("in truth feeds", consumers, key="feeds_what")
    return "theory {feeds_fuse} feeds {feeds_what}"


def _fault(held: Held) -> str:
    st.selectbox("this fault", catalogue(held.car), key="suppose_fault")
    return "{suppose_fault}"


def _words(held: Held) -> str:
    st.text_input(
        "any edit, in words",
        key="suppose_words",
        placeholder="corrode GW.GND 2 ohm",
        persist_state="session",
        help="several that belong together are divided by ';': they are then all there or all left out",
    )
    return "{suppose_words}"


# what each draws, and the sentence that comes of it
FORMS = {
    "theory: a module waits for another": _waits,
    "theory: a bus runs through a connector": _through,
    "theory: a fuse feeds something else": _feeds,
    "fault from the catalogue": _fault,
    "in words": _words,
}


def _choose_actions(held: Held) -> None:
    options = [BAY, MORNING, OWN] if held.bench.log[1:] else [MORNING, OWN]
    chosen = st.radio("and then, in every combination", options, key="suppose_log", persist_state="session")
    if chosen == OWN:
        st.session_state.setdefault("what_if_own", "\n".join(_morning(held)))
        st.text_area("what is done, one action in each line", key="what_if_own", persist_state="session")
        return
    st.caption(" → ".join(_actions(held)))
    moved = [text for text in _suppositions(held) if text in held.bench.log]
    if chosen == BAY and moved:
        words = ", ".join(moved)
        st.caption(f":material/info: {words}: there from the beginning or not at all, not done on the way")
    repairs = [text for text in held.bench.log if _puts_right(text, _suppositions(held))]
    if chosen == BAY and repairs:
        st.caption(f":material/info: the repairs of what is supposed are left out: {', '.join(repairs)}")


def _actions(held: Held) -> list[str]:
    """What is done in every combination, as it is chosen now."""
    chosen = st.session_state.suppose_log
    if chosen == OWN:
        return lines_of("what_if_own")
    if chosen == MORNING:
        return _morning(held)
    supposed = _suppositions(held)
    return [text for text in held.bench.log if text not in supposed and not _puts_right(text, supposed)]


def _puts_right(action: str, supposed: list[str]) -> bool:
    """Is it the repair of something supposed? Played too, it would make all combinations alike in the end."""
    verb, *what = action.split()
    parts = [part.split() for text in supposed for part in _parts(text)]
    faults = [words for words in parts if words and words[0] not in (*REPAIRS, "theory")]
    return verb in REPAIRS and any(what[:1] == words[1:2] for words in faults)


def _morning(held: Held) -> list[str]:
    """Start it, switch it off, scan: by the button or the key that the car has."""
    operated = {switch.operated_by for switch in held.car.built.switches.values()}
    if "key_run" in operated:
        return ["key crank", "wait 8 s", "key off", "wait 5 s", "scan"]
    if "button" in operated:
        start = "press start with brake" if "brake" in operated else "press start"
        return [start, "wait 8 s", "press start", "wait 5 s", "scan"]
    return ["wait 10 s", "scan"]


def _list(held: Held) -> None:
    texts = _suppositions(held)
    st.markdown("**Supposed**")
    if not texts:
        st.caption("Nothing yet. Choose a fault or a theory, then press *Suppose this*.")
    car_text, repairs = st.session_state.get("suppose_repairs") or ["", []]
    if repairs and car_text == held.car_text:
        st.caption(f"'Without' a fault is what its repair does: {', '.join(repairs)}.")
    for text in texts:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(text, width="stretch")
            st.selectbox(
                "use",
                USES,
                key=f"use {text}",
                label_visibility="collapsed",
                width=170,
                persist_state="session",
            )
            st.button(
                "Remove",
                key=f"remove {text}",
                on_click=partial(_remove, held, text),
            )


def _remove(held: Held, text: str) -> None:
    _store(held, [one for one in _suppositions(held) if one != text])


def _used(held: Held, use: str) -> list[str]:
    return [text for text in _suppositions(held) if st.session_state.get(f"use {text}", USES[0]) == use]


def _play(held: Held) -> None:
    varied = _used(held, USES[0])
    if len(varied) > MOST_VARIED:
        st.warning(
            f"At most {MOST_VARIED} at a time can be varied; set the others to 'always' or 'left out'."
        )
        return
    words = f"Play all {2 ** len(varied)} combinations" if varied else "Play all combinations"
    st.button(
        words,
        key="suppose_play",
        type="primary",
        icon=":material/play_arrow:",
        disabled=not varied or not _actions(held),
        help=None if varied else "first suppose something that is varied: 'with and without'",
        on_click=partial(_start, held),
    )


@tells_problems
def _start(held: Held) -> None:
    varied, actions = _used(held, USES[0]), _actions(held)
    if not 1 <= len(varied) <= MOST_VARIED or not actions:
        raise EditProblem(f"suppose 1 to {MOST_VARIED} things '{USES[0]}', and say what is done")
    given = [part for text in _used(held, USES[1]) for part in _parts(text)]
    closing = [] if actions and actions[-1] == "scan" else ["scan"]
    vehicle, car = held.car_text, held.car

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> tuple[Grid, tuple[str, ...]]:
        plan = [parse_action(text, car).text for text in (*actions, *closing)]
        grid = run_grid(vehicle, varied, plan, given=given, workshop=workshop, progress=progress, stop=stop)
        return grid, tuple(given)

    lab_work.start(WORK, task)


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(";")]


# -- what came of it ----------------------------------------------------------------------------------------


def _shown(held: Held) -> None:
    found = lab_work.found(WORK)
    if found is None:
        return
    grid, given = found
    views = {"Causes": _causes, "All combinations": _table, "Hidden and alike": _hidden}
    if len(grid.accounts) <= MOST_SIDE_BY_SIDE:
        views = {"Side by side": _side_by_side, **views}
    st.caption(DISCLAIMER)
    if st.session_state.get("what_if_view") not in views:
        st.session_state.what_if_view = next(iter(views))
    chosen = st.segmented_control(
        "view", list(views), key="what_if_view", required=True, label_visibility="collapsed"
    )
    assert chosen is not None  # one is required
    with st.container(key="what_if_found"):
        views[chosen](grid)
    _exports(grid)
    _into_the_bay(grid, given)


def _side_by_side(grid: Grid) -> None:
    numbers = _everything_first(grid)
    head = [_heading(grid, number) for number in numbers]
    accounts = [grid.accounts[number] for number in numbers]
    with st.container(key="cases"):
        cells = zip(*(rows(account) for account in accounts), strict=True)
        sheet.show(
            side_by_side(["", *head], [(row[0][0], *(value for _, value in row)) for row in cells]),
            "cases_table",
        )
    with st.expander("Action by action"):
        sights = zip(*(account.sights for account in accounts if not account.impossible), strict=False)
        lines = [
            (f"{place}. {several[0].action}", *(step_words(sight) for sight in several))
            for place, several in enumerate(sights, start=1)
        ]
        possible = [words for words, account in zip(head, accounts, strict=True) if not account.impossible]
        sheet.show(side_by_side(["", *possible], lines), "steps_table")


def _causes(grid: Grid) -> None:
    if not grid.symptoms:
        st.markdown("Every combination shows the same as the car without any of them.")
        return
    st.markdown("**What brings what about**")
    with st.container(key="cause_picture"):
        sheet.show(cause_diagram(grid), "cause_diagram")
    st.markdown(
        "**Minimal cause sets**: nothing of a set can be left out. A symptom is something that the car "
        "without any of the edits does not show."
    )
    with st.container(key="cause_sets"):
        _section(grid, "What brings it about")
    idle = [name for name in grid.names if all(name in one.causes.without_part for one in grid.symptoms)]
    if idle:
        st.markdown(f"Without any part in this: {', '.join(idle)}.")


def _table(grid: Grid) -> None:
    if len(grid.accounts) > MOST_COMBINATIONS:
        st.caption(f"The picture is for up to {MOST_COMBINATIONS} combinations; the table below has all.")
    with st.container(key="matrix_picture"):
        sheet.show(matrix(grid), "matrix")
    with st.container(key="whole_table"):
        _section(grid, "Question")
        _section(grid, "What could be seen")


def _hidden(grid: Grid) -> None:
    for title in ("What hides what", "What cannot be told apart", "Effects on readings"):
        if any(one.title == title for one in grid_sections(grid)):
            st.markdown(f"**{title}**")
            _section(grid, title)


def _section(grid: Grid, title: str) -> None:
    section: Section = next(one for one in grid_sections(grid) if one.title == title)
    sheet.show(section_html(section.parts), f"section {title}")


def _everything_first(grid: Grid) -> list[int]:
    bits = {name: 1 << place for place, name in enumerate(grid.names)}
    return [sum(bits[name] for name in some) for some in combinations([], grid.names)]


def _heading(grid: Grid, number: int) -> str:
    inside = [text.removeprefix("theory ") for text in grid.there(number)]
    return " + ".join(inside) or "none of these"


def _exports(grid: Grid) -> None:
    with st.container(horizontal=True, key="what_if_exports"):
        for words, name, kind, text in (
            ("Report to print", "what-if.html", "text/html", partial(grid_html, grid)),
            ("CSV", "what-if.csv", "text/csv", partial(grid_csv, grid)),
            ("JSON", "what-if.json", "application/json", partial(grid_json, grid)),
        ):
            st.download_button(
                words, text, name, kind, key=f"export {name}", icon=":material/download:", on_click="ignore"
            )


def _into_the_bay(grid: Grid, given: tuple[str, ...]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "take one into the bay",
            _everything_first(grid),
            key="take_case",
            format_func=lambda one: _heading(grid, one),
        )
        st.button("Into the bay, before any action", key="take_case_go", on_click=partial(_take, grid, given))


def _take(grid: Grid, given: tuple[str, ...]) -> None:
    chosen = grid.there(st.session_state.take_case)
    work.ask(bench_jobs.start_again((*given, *(part for name in chosen for part in _parts(name)))))
    st.session_state.to_the_bay = True
