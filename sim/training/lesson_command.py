"""The sheets of a lesson from the command line."""

from __future__ import annotations

from pathlib import Path

import click

from sim.catalogue import shipped_exercises
from sim.command_line import FILE, command, print_json, write_told
from sim.training.commands import exercise_argument
from sim.training.exercise import find_exercise, read_exercise
from sim.training.lesson import SHEETS, ExpectedFault, Sheet, as_html, as_text, lesson


@command(
    "lesson",
    examples=[
        "lesson 2",
        "lesson 2 --html lesson.html",
        "lesson 2 --sheet worksheet --html for-students.html",
    ],
    result=tuple[ExpectedFault, ...],
)
@exercise_argument
@click.option("--sheet", "sheets", type=click.Choice(list(SHEETS)), multiple=True, help="This sheet only.")
@click.option("--html", type=FILE, help="Write pages to be printed.")
def print_lesson(exercise: str, sheets: tuple[Sheet, ...], html: Path | None, as_json: bool) -> None:
    """Make the lesson plan, worksheet and teacher's sheet of an exercise.

    The teacher's sheet has the answers, and the readings that the solution gives when it is played.
    """
    found = find_exercise(exercise)
    shipped = shipped_exercises()
    titles = {name: read_exercise(shipped[name]).exercise for name in found.after}
    told = lesson(exercise, found, titles)
    if html:
        write_told(html, as_html(told, sheets or SHEETS))
    if as_json:
        print_json(told.faults)
    elif not html:
        print(as_text(told), end="")
