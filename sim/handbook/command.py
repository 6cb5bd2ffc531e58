"""`busbay handbook`: a chapter or a paragraph printed, or all chapters written as Markdown files."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click

from sim.command_line import command, print_table, write_over
from sim.handbook.book import chapter, chapters, section
from sim.vehicle.problems import Problem


@command(
    "handbook",
    examples=[
        "handbook",
        "handbook glossary",
        "handbook vehicle-file#fuses",
        "handbook --out my-folder",
    ],
)
@click.argument("place", required=False, metavar="[CHAPTER[#PARAGRAPH]]")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Write all chapters into this folder."
)
def handbook(place: str | None, out: Path | None) -> None:
    """Read the handbook, or write it as files.

    Without a chapter, its chapters are listed.
    """
    if out is not None:
        _write(out)
    elif place is None:
        print_table(("chapter", "title"), [(one.name, one.title) for one in chapters()])
    else:
        name, _, of = place.partition("#")
        print(section(name, of) if of else chapter(name).text)


def _write(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Problem(f"{out} cannot be made: {error.strerror}") from None
    for one in chapters():
        write_over(out / f"{one.name}.md", one.text)
    _draw(out)
    print(f"{len(chapters())} chapters in {out}; begin with {out / 'start.md'}")


def _draw(out: Path) -> None:
    """The pictures beside the chapters, drawn by the front end, of which this room knows the command only."""
    drawn = subprocess.run(
        [sys.executable, "-m", "ui.drawing.handbook_pictures", str(out)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if drawn.returncode:
        raise Problem(f"the pictures cannot be drawn: {drawn.stderr.strip().splitlines()[-1]}")
