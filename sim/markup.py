"""HTML by templates that escape every text put into them.

`page.html` beside this file is the frame of every page, `report.html` that of a report to print.

html = macros(Path("tables.html"))      # a file of macros
html("numbered", ["first", "second"])   # the macro `numbered`, called with its argument
page(Path("report.html"), title="Case") # a whole page, which may extend "page.html" or "report.html"
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, Protocol

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

FRAMES = Path(__file__).parent


class Macros(Protocol):
    """The macros of one file: called by name, each gives HTML that may be put into a template as it is."""

    def __call__(self, name: str, /, *values: Any) -> Markup: ...


@cache
def _environment(folder: Path) -> Environment:
    loader = FileSystemLoader([folder, FRAMES])
    return Environment(
        autoescape=True,
        loader=loader,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def macros(file: Path) -> Macros:
    """Return a function that calls a macro of this file; a name that the file lacks raises AttributeError."""
    module = _environment(file.parent).get_template(file.name).module

    def call(name: str, /, *values: Any) -> Markup:
        return Markup(getattr(module, name)(*values))

    return call


def page(file: Path, **values: Any) -> str:
    """A page by its template; a value that the template needs and is not given raises UndefinedError."""
    return _environment(file.parent).get_template(file.name).render(values)
