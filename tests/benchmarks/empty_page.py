"""A page with a button and nothing else: what a click costs where nothing is computed or drawn."""

import streamlit as st


@st.fragment
def show() -> None:
    """The button."""
    st.button("Nothing")


show()
