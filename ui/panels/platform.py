"""The school's platform: a learning record store by its address, and how far the sending is."""

from __future__ import annotations

import time

import streamlit as st

from sim.training.outbox import OutboxState
from sim.training.record_store import (
    LONGEST_ADDRESS,
    LONGEST_SECRET,
    LONGEST_USERNAME,
    RecordStore,
)
from sim.training.xapi import VERSIONS
from sim.vehicle.words import counted
from ui.panels.controls import button
from ui.panels.exam import clock_words
from ui.state import classroom


def show() -> None:
    """What is sent where, and the fields to change it."""
    st.markdown(
        "What students begin and hand in goes to a learning record store as statements of xAPI, with names, "
        "marks and times. An exam is sent when it is released. While the store cannot "
        "be reached, everything waits here."
    )
    state = classroom.records().outbox.state()
    if state is None:
        st.caption("No store is connected: nothing leaves this computer.")
    else:
        _state(state)
    _fields(state)


def _state(state: OutboxState) -> None:
    told = f"**{counted(state.sent, 'statement')}** sent · **{state.waiting}** waiting"
    st.markdown(f"{told} · {classroom.plain(state.endpoint)}")
    if state.problem:
        st.warning(classroom.plain(state.problem), icon=":material/cloud_off:")
    elif state.reached_s:
        st.caption(f"Last reached at {clock_words(state.reached_s)}.")
    with st.container(horizontal=True):
        button("Send now", "send_statements", _send, icon="send")
        with st.popover("Disconnect", icon=":material/link_off:"):
            st.markdown("The secret is forgotten, and what waits is not sent.")
            button("Disconnect the store", "disconnect_store", _disconnect)


def _fields(state: OutboxState | None) -> None:
    with st.form("store", border=True):
        st.text_input(
            "address of the store", state.endpoint if state else "", LONGEST_ADDRESS, key="store_endpoint",
            placeholder="https://lrs.school.example/xapi",
        )  # fmt: skip
        st.text_input(
            "address of the school: whose accounts the students have", state.home_page if state else "",
            LONGEST_ADDRESS, key="store_home", placeholder="https://school.example",
        )  # fmt: skip
        with st.container(horizontal=True):
            st.text_input("name", state.username if state else "", LONGEST_USERNAME, key="store_name")
            st.text_input("secret", "", LONGEST_SECRET, key="store_secret", type="password")
            st.selectbox("version of xAPI", VERSIONS, key="store_version")
        st.form_submit_button("Connect", on_click=_connect, icon=":material/link:")
    st.caption(
        "The secret is kept in the records of this server and never shown. An address without https sends it "
        "in the open: only on this computer or in a network of your own."
    )


@classroom.instructor_only
def _connect() -> str:
    state = st.session_state
    known = RecordStore(
        state.store_endpoint, state.store_home, state.store_name, state.store_secret, state.store_version
    )
    state.store_secret = ""
    versions = classroom.records().outbox.connect(known)
    classroom.courier().start()
    return f"connected; the store knows xAPI {versions}"


@classroom.instructor_only
def _send() -> str:
    outbox = classroom.records().outbox
    outbox.collect()
    return f"{counted(outbox.send(), 'statement')} sent at {time.strftime('%H:%M:%S')}"


@classroom.instructor_only
def _disconnect() -> str:
    classroom.records().outbox.disconnect()
    return "the store is disconnected"
