"""What is written into a module: read it with the tester, write it anew."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.setting_up import Identification
from sim.vehicle.edits_set_up import with_set_up
from ui.drawing import sheet
from ui.drawing.tables import identity_table
from ui.panels.cautions import caution
from ui.panels.help import term
from ui.panels.prices import price_as_shown, with_price
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import as_shown, ask_to_do_as_shown

MODULE = "set_up_module"


def show(held: Held, visible: Visible) -> None:
    """Identification and set-up of one module; closed until it is wanted."""
    with st.expander("Identify and set up a module", key="set_up_box"):
        titles = {name: held.car.built.modules[name].title for name in held.car.addresses}
        name = st.selectbox(
            "module", list(titles), key=MODULE, persist_state="session",
            format_func=lambda one: f"{one} · {titles[one]}" if titles[one] else one,
            help=term("VIN", "coding", "calibration"),
        )  # fmt: skip
        with st.container(horizontal=True):
            _button("Identify", f"identify {{{MODULE}}}", ":material/badge:")
            if "program" in visible.tools:
                _write(held, name)
        _table(held.bench.identifications.get(name))
        if "program" in visible.tools:
            caution("program")


def _write(held: Held, name: str) -> None:
    """What this module can be given, as the car's service information says."""
    car = held.car
    if name in with_set_up(car, "coding"):
        _button("Code", f"code {{{MODULE}}}", ":material/edit_note:")
    if name in with_set_up(car, "calibration"):
        _button("Calibrate", f"calibrate {{{MODULE}}}", ":material/adjust:")
    if name in with_set_up(car, "keys"):
        _button("Match keys", "match keys", ":material/key:")
    _button("Flash software", f"flash {{{MODULE}}}", ":material/memory:")


def _button(words: str, action: str, icon: str) -> None:
    told = with_price(words, price_as_shown(action))
    st.button(told, key=f"set up {action}", icon=icon, on_click=partial(ask_to_do_as_shown, as_shown(action)))


def _table(found: Identification | None) -> None:
    if found is None:
        st.caption("Not identified yet. VIN, part, software and coding are read with service 22.")
        return
    st.caption(f"{found.module} at {found.time_s:.1f} s")
    sheet.show(identity_table(found), "identity")
