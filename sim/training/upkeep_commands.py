"""Records from the command line: a copy of all of them, and back."""

from __future__ import annotations

from pathlib import Path

import click

from sim.command_line import FILE, command
from sim.training.class_commands import records_option
from sim.training.records import Records, records_url
from sim.training.upkeep import restore_copy, save_copy


@command(
    "backup",
    examples=["backup --out monday.backup", "backup --out monday.backup --records sqlite:///class.sqlite"],
)
@click.option("--out", "to", type=click.Path(path_type=Path), required=True, help="File to write.")
@records_option
def backup(to: Path, records: str | None) -> None:
    """Copy the records of all classes into one file.

    While a class works; the copy is of one moment. For PostgreSQL it is made by `pg_dump`.
    """
    save_copy(records or records_url(), to)
    print(f"{to} has all records. It holds names and marks: keep it where only you read it.")


@command(
    "restore", examples=["restore monday.backup", "restore monday.backup --records sqlite:///class.sqlite"]
)
@click.argument("copy", type=FILE, help="A file that 'busbay backup' has written.")
@records_option
def restore(copy: Path, records: str | None) -> None:
    """Put a copy in the place of the records.

    What the records have now is kept in a file first.
    """
    url = records or records_url()
    before = restore_copy(url, copy)
    Records(url).close()  # brings an older copy to this version
    kept = f" What was there before is in {before}." if before else ""
    print(f"The records are those of {copy}.{kept}")
