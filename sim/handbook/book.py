"""The handbook as chapters of Markdown, each from a template beside this file.

for chapter in chapters():
    print(chapter.title, chapter.text)
section("vehicle-file", "fuses")  # one paragraph, by its heading

A heading's anchor is its text in small letters with a hyphen for each space, as most readers make it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from sim.bench import actions, observations
from sim.handbook import glossary, sentences, vehicle_file
from sim.handbook.tables import rows
from sim.vehicle.plain_words import PLAIN_WORDS
from sim.vehicle.problems import Problem, did_you_mean

TITLES = {
    "start": "Start here",
    "student": "For the student",
    "instructor": "For the instructor",
    "technician": "For the technician",
    "pages": "The pages",
    "sentences": "Sentences",
    "vehicle-file": "The vehicle file",
    "programs": "Command line and other programs",
    "glossary": "Words of the trade",
}
# of parts of the vehicle file whose key says less
HEADINGS = {
    "Vehicle": "The whole file", "Dlc": "Diagnostic connector", "Lin": "LIN", "Inline": "In-line connectors",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Chapter:
    """A chapter: its name in addresses and of its file, its title, its Markdown."""

    name: str
    title: str
    text: str

    @property
    def anchors(self) -> tuple[str, ...]:
        """The anchors of its headings, in order."""
        return tuple(anchor(heading) for heading in re.findall(r"^#+ (.+)$", self.text, re.MULTILINE))


@dataclass(frozen=True, slots=True)
class PageRow:
    """A page of the program: its path in the address, its title, what it is for."""

    path: str
    title: str
    purpose: str


@cache
def chapters() -> tuple[Chapter, ...]:
    """All chapters, in order."""
    return tuple(Chapter(name, title, _written(name)) for name, title in TITLES.items())


def chapter(name: str) -> Chapter:
    """One chapter; raises `Problem` with the nearest name."""
    found = next((one for one in chapters() if one.name == name), None)
    if found is None:
        raise Problem(f"the handbook has no chapter '{name}'{did_you_mean(name, TITLES)}")
    return found


def section(name: str, of: str) -> str:
    """The Markdown below one heading, up to the next heading; raises `Problem` with the nearest."""
    whole = chapter(name)
    pieces = re.split(r"^(?=#{1,6} )", whole.text, flags=re.MULTILINE)
    headed = {anchor(piece.splitlines()[0].lstrip("# ")): piece for piece in pieces if piece.startswith("#")}
    if of not in headed:
        raise Problem(f"the chapter '{name}' has no paragraph '{of}'{did_you_mean(of, headed)}")
    return headed[of]


def anchor(heading: str) -> str:
    """`Power modes` is found under `power-modes`."""
    return re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-")


@cache
def pages() -> tuple[PageRow, ...]:
    """The pages of the program, each with what it is for."""
    return tuple(PageRow(path, title, purpose) for path, title, purpose in rows("pages.csv", 3))


def heading_of(part: str) -> str:
    """The heading of a part of the vehicle file: the key that holds it, or its own name in words."""
    keys = {vehicle_file.part_of(key): key for key in vehicle_file.top_level()}
    if part in HEADINGS:
        return HEADINGS[part]
    words = keys.get(part) or re.sub(r"(?<=[a-z])(?=[A-Z])", " ", part).lower()
    return words.replace("_", " ").capitalize()


def _written(name: str) -> str:
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "chapters"),
        undefined=StrictUndefined, autoescape=False, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["cell"] = lambda text: " ".join(str(text).split()).replace("|", "\\|")
    environment.filters["linked"] = _linked
    environment.filters["rows_of"] = _rows_of
    return environment.get_template(f"{name}.md").render(
        titles=TITLES, pages=pages(), sections=vehicle_file.sections(), heading_of=heading_of,
        terms=glossary.terms(), standards=glossary.standards(), actions=actions.FORMS,
        observations=observations.FORMS, faults=sentences.faults(), repairs=sentences.repairs(),
        plain_words=PLAIN_WORDS,
    )  # fmt: skip


def _rows_of(forms: str) -> list[list[str]]:
    """Forms and what they mean, from lines with two blanks or more between them."""
    return [[*re.split(r"\s{2,}", line.strip(), maxsplit=1), ""][:2] for line in forms.splitlines() if line]


def _linked(takes: str) -> str:
    """`keys of [Fuse]` with a link to the paragraph about it."""
    return re.sub(
        r"\[(\w+)\]", lambda part: f"[{heading_of(part[1])}](#{anchor(heading_of(part[1]))})", takes
    )
