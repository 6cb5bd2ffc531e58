"""The picture of the car on a page: by its buses, or from above with what sits where."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st
from markupsafe import Markup

from sim.vehicle.car import Car
from ui.drawing import sheet
from ui.drawing.car_map import car_map, legend
from ui.drawing.car_plan import car_plan, run_legend
from ui.drawing.layout import NARROW, WIDE, Layout
from ui.drawing.mini_map import mini_map
from ui.drawing.plan_layout import plan_of
from ui.panels import projector, timeline
from ui.panels.controls import tabs
from ui.state.held import Held
from ui.state.visible import Visible

BY_BUS, IN_THE_CAR = "by bus", "in the car"


def show(held: Held, visible: Visible, on_pick: Callable[[], None], news: str = "") -> None:
    """The map of the car in the bay or of an exercise, either way; news: as of `sheet.show`."""
    with st.container(key="map_ways", horizontal=True, vertical_alignment="center"):
        way = tabs("map", (BY_BUS, IN_THE_CAR), "map_way", BY_BUS)
        projector.offer_whole(held.layout)
    picked = st.session_state.get("part") or ""
    if way == IN_THE_CAR and st.session_state.get("panel") != timeline.PANEL:  # that one plays on the buses
        fitted(partial(_plan, held.car, visible, picked), "map", on_pick, news)
    else:
        fitted_map(held.car, held.layout, visible, "map", picked, on_pick, news=news)


def show_small(held: Held, visible: Visible, on_pick: Callable[[], None]) -> None:
    """On a phone, where the map is below the panels: the same in small, for what stays in sight."""
    if st.session_state.get("narrow"):
        sheet.show(mini_map(held.car, visible, st.session_state.get("part") or ""), "mini", on_pick)


def fitted_map(
    car: Car,
    layout: Callable[[float], Layout],
    visible: Visible,
    key: str,
    picked: str = "",
    on_pick: Callable[[], None] | None = None,
    explained: bool = True,
    news: str = "",
) -> None:
    """The map of a car by buses, laid out for the browser's width; `explained`: with what its marks mean."""

    def drawn(narrow: bool) -> Markup:
        html = car_map(car, projector.laid_out(layout, narrow), visible, picked)
        html = projector.WHOLE.format(html) if projector.is_whole() else html
        return html + _legend(visible) if explained else html

    fitted(drawn, key, on_pick, news)


def fitted(
    draw: Callable[[bool], Markup], key: str, on_pick: Callable[[], None] | None = None, news: str = ""
) -> None:
    """A drawing that depends on whether the browser is narrow; drawn again when that turns out otherwise."""
    narrow = bool(st.session_state.get("narrow", False))
    now_narrow = sheet.show_to_fit(draw(narrow), key, narrow, on_pick, news)
    if now_narrow != narrow:
        st.session_state.narrow = now_narrow
        st.rerun(scope="fragment")


def _plan(car: Car, visible: Visible, picked: str, narrow: bool) -> Markup:
    plan = plan_of(car, NARROW if narrow else WIDE, upright=narrow)
    return car_plan(car, plan, visible, picked) + run_legend() + _legend(visible)


def _legend(visible: Visible) -> Markup:
    return legend(visible.only_found or visible.unasked)
