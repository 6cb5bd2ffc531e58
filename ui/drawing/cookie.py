"""A cookie of this site, set by the page: a refresh finds again who was let in, and no address tells it."""

from __future__ import annotations

import streamlit as st

_cookie = st.components.v2.component(
    "busbay_cookie",
    html="<span hidden></span>",
    js="""export default function ({ data }) {
  const secure = location.protocol === 'https:' ? '; Secure' : '';
  document.cookie = `${data.name}=${data.value}; Path=/; SameSite=Strict; Max-Age=${data.seconds}${secure}`;
}""",
)


def set_cookie(name: str, value: str, seconds: int) -> None:
    """Have the browser keep a value for so long; 0 seconds forgets it. Both are letters, digits, - and _."""
    _cookie(key=f"cookie_{name}", data={"name": name, "value": value, "seconds": seconds})
