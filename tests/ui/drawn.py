"""What a page without a browser has drawn: all that went to the browser, and the keys of its widgets."""

from collections.abc import Iterator
from typing import Any

from streamlit.testing.v1 import AppTest


def sent(app: AppTest) -> Iterator[bytes]:
    """Everything that went to the browser."""
    todo: list[Any] = [app.main, app.sidebar]
    while todo:
        node = todo.pop()
        proto = getattr(node, "proto", None)
        if proto is not None:
            yield proto.SerializeToString()
        todo += list(getattr(node, "children", {}).values())


def has_drawn(app: AppTest, text: str) -> bool:
    """Did anything with this text in it, such as a tag of HTML, go to the browser?"""
    return any(text.encode() in part for part in sent(app))


def keys(app: AppTest) -> set[str]:
    """The keys of the buttons, lists and fields on the page."""
    widgets = (*app.button, *app.selectbox, *app.radio, *app.multiselect, *app.text_input)
    return {str(one.key) for one in widgets}
