"""Recorded logs from the command line: written from a car, read to begin one."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import click

from sim.command_line import FILE, CarWork, command, print_json, work_options, write_new
from sim.instruments.run_command import print_step, worked
from sim.link.log_car import vehicle_file
from sim.link.log_import import read_log
from sim.link.recording import FORMATS, Recording
from sim.link.timeline import TimelineRecorder, save_picture


@dataclass(frozen=True, slots=True)
class Recorded:
    """How many frames were written into which files."""

    frames: int
    files: tuple[str, ...]


@command(
    "record",
    examples=['record shuttle-minibus --do "press start" --do "wait 10 s" --out day.csv --picture day.svg'],
    result=Recorded,
)
@work_options
@click.option(
    "--out", type=FILE, required=True, help=f"The file to write; its ending says how: {' '.join(FORMATS)}."
)
@click.option("--picture", type=FILE, help="Also draw bus load, module states, codes (.svg, .png, .pdf).")
def record(
    work: CarWork,
    out: Path,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Write every frame of some actions into a log."""
    bench = work.bench()
    timeline = TimelineRecorder(bench.live) if picture else nullcontext()
    with Recording(bench.live, out) as recording, timeline:
        for step in worked(bench, work.actions):
            if not as_json:
                print_step(step)
    if picture and isinstance(timeline, TimelineRecorder):
        save_picture(timeline.stop(), picture)
    found = Recorded(recording.frames, tuple(map(str, recording.files)))
    if as_json:
        print_json(found)
    else:
        print(f"{found.frames} frames in {', '.join(found.files)}")


@dataclass(frozen=True, slots=True)
class Imported:
    """The vehicle file that was begun, and how many periodic messages on how many buses it holds."""

    file: str
    messages: int
    buses: int


@command("import", examples=["import day.asc --channel 0 --out mine.yaml"], result=Imported)
@click.argument("log", type=FILE, help="A recorded log in any format that python-can reads.")
@click.option("--out", type=FILE, required=True, help="The vehicle file to begin.")
@click.option("--channel", help="Only this channel; otherwise each channel becomes a bus.")
@click.option("--bitrate", default=500_000, show_default=True, help="Of the buses, in bit/s.")
def import_log(log: Path, out: Path, channel: str | None, bitrate: int, as_json: bool) -> None:
    """Begin a vehicle file from a recorded log."""
    buses = read_log(log, channel)
    write_new(out, vehicle_file(buses, bitrate))
    found = Imported(str(out), sum(len(one.periodic()) for one in buses), len(buses))
    if as_json:
        print_json(found)
    else:
        on = "1 bus" if found.buses == 1 else f"{found.buses} buses"
        print(f"{out}: {found.messages} messages on {on}; 'busbay car {out}' shows them")
