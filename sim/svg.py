"""Drawings as XML trees: a drawing is SVG that is well formed, with every text escaped, by construction."""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree.ElementTree import Element, fromstring, register_namespace, tostring

from markupsafe import Markup

Node = Element

register_namespace("", "http://www.w3.org/2000/svg")


def node(tag: str, children: str | Iterable[Node] = (), **attributes: str | float | None) -> Node:
    """An element with a text or with other elements in it.

    Attributes are named as in Python: `class_` is `class`, `data_id` is `data-id`. Numbers have six digits;
    None leaves an attribute out.
    """
    made = Element(tag, {_name(name): _value(one) for name, one in attributes.items() if one is not None})
    if isinstance(children, str):
        made.text = children
    else:
        made.extend(children)
    return made


def parsed(text: str) -> Node:
    """The tree of a drawing that was written as text."""
    return fromstring(text)


def text_of(root: Node) -> Markup:
    """The drawing as text that a template or a page takes as it is."""
    return Markup(tostring(root, encoding="unicode"))


def _name(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
