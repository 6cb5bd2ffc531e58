"""Classes from the command line: results as tables, and statements to the school's platform."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from sim.command_line import FILE, command, print_json, print_table, write_told
from sim.training.records import Records, records_url

records_option = click.option(
    "--records",
    metavar="URL",
    help="Database that keeps the classes, such as sqlite:///class.sqlite or postgresql+psycopg://... "
    "(default: a file in your data folder).",
)


@dataclass(frozen=True, slots=True)
class ClassTold:
    """A class: its number, name, students and exercises."""

    number: int
    name: str
    students: int
    exercises: int


@command("results", examples=["results", "results --class 1 --out results.csv"], result=tuple[ClassTold, ...])
@records_option
@click.option("--class", "class_id", type=int, metavar="N", help="The class of that number; without: a list.")
@click.option("--gradebook", is_flag=True, help="Points by student and exercise, for the school's platform.")
@click.option("--out", type=FILE, help="Write the table into a file.")
def results(
    records: str | None, class_id: int | None, gradebook: bool, out: Path | None, as_json: bool
) -> None:
    """Print the results of a class.

    As comma-separated values; without a class the classes are listed.
    """
    kept = Records(records or records_url())
    try:
        if class_id is None:
            _list(kept, as_json)
            return
        made = kept.gradebook_csv if gradebook else kept.export_csv
        kept.classes.get(class_id)
        text = made(class_id)
    finally:
        kept.close()
    if out:
        write_told(out, text)
    else:
        print(text, end="")


def _list(records: Records, as_json: bool) -> None:
    rows = [
        ClassTold(
            one.id,
            one.name,
            len(records.students.of_class(one.id)),
            len(records.assignments.of_class(one.id)),
        )
        for one in records.classes.listed()
    ]
    if as_json:
        print_json(rows)
        return
    cells = [(f"{one.number}", one.name, f"{one.students}", f"{one.exercises}") for one in rows]
    print_table(("class", "name", "students", "exercises"), cells)


@dataclass(frozen=True, slots=True)
class StatementsTold:
    """Statements that wait and that are sent, and what is wrong; `endpoint` of the store."""

    endpoint: str
    waiting: int
    sent: int
    problem: str


@command("statements", examples=["statements", "statements --send"], result=StatementsTold)
@records_option
@click.option("--send", is_flag=True, help="Send what waits now.")
def statements(records: str | None, send: bool, as_json: bool) -> int:
    """Tell how far the statements to the school's platform are.

    Exit code 1 if some of them wait.
    """
    kept = Records(records or records_url())
    try:
        if send:
            kept.outbox.collect()
            kept.outbox.send()
        state = kept.outbox.state()
    finally:
        kept.close()
    told = StatementsTold("", 0, 0, "")
    if state is not None:
        told = StatementsTold(state.endpoint, state.waiting, state.sent, state.problem)
    if as_json:
        print_json(told)
    elif not told.endpoint:
        print("no learning record store is connected: the page Results does that")
    else:
        print(f"{told.endpoint}: {told.sent} sent, {told.waiting} waiting")
        if told.problem:
            print(told.problem)
    return 1 if told.waiting else 0
