"""A description of a car from the command line: begun from a table, and its shape for editors."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from sim.command_line import FILE, command, print_json, write_over
from sim.vehicle.car_templates import TEMPLATES
from sim.vehicle.reading import car_from_text, text_of
from sim.vehicle.schema import vehicle_schema
from sim.vehicle.table_doubts import doubts_in
from sim.vehicle.table_text import rows_of_table, vehicle_of_table


@dataclass(frozen=True, slots=True)
class Described:
    """The vehicle file that a table makes: its text, and how many modules and buses it has."""

    title: str
    modules: int
    buses: int
    file: str


@command(
    "describe",
    examples=[
        "describe my-van.csv --template van --out my-van.yaml",
        'describe modules.txt --title "My van"',
    ],
    result=Described,
    more={
        "Table": "A line for each module: its name and its bus are enough. With a heading, the columns of "
        "the page Describe a car, in any order: module, bus, place, fuse, ground, in-line, listens to, "
        "sends, location.",
    },
)
@click.argument("table", type=FILE)
@click.option("--template", type=click.Choice(list(TEMPLATES)), help="The kind of car it begins as.")
@click.option("--title", default="", help="What the car is called.")
@click.option("--out", type=FILE, help="Write the vehicle file there.")
def describe(table: Path, template: str | None, title: str, out: Path | None, as_json: bool) -> None:
    """Begin a vehicle file from a table of modules."""
    told = text_of(table)
    text = vehicle_of_table(told, table.name, title=title, template=template or "")
    for doubt in doubts_in(rows_of_table(told, table.name)):
        print(f"busbay: {table.name}, {doubt}", file=sys.stderr)
    if out:
        write_over(out, text)
    built = car_from_text(text).built
    if as_json:
        print_json(Described(built.car, len(built.modules), len(built.buses), text))
    elif out:
        print(f"{out}: {len(built.modules)} modules on {', '.join(built.buses)}")
    else:
        print(text, end="")


@command("schema", examples=["schema", "schema --out vehicle.schema.json"])
@click.option("--out", type=FILE, help="Write it there.")
def schema(out: Path | None) -> None:
    """Print the JSON schema of a vehicle file, for an editor.

    In most editors one line at the top of a vehicle file is enough:
    `# yaml-language-server: $schema=vehicle.schema.json`.
    """
    text = json.dumps(vehicle_schema(), indent=2, ensure_ascii=False) + "\n"
    if out:
        write_over(out, text)
        print(f"{out}: JSON schema of a vehicle file")
    else:
        print(text, end="")
