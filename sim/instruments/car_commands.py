"""One car from the command line: what it is, what it understands, its diagrams."""

from __future__ import annotations

from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import click
from ruamel.yaml import YAML

from sim.bench.words import sentences_of, verbs_of
from sim.catalogue import find_car, shipped_cars
from sim.command_line import FILE, car_argument, command, print_json, print_table, write_told
from sim.instruments.diagram import drawing
from sim.instruments.module_diagram import face
from sim.instruments.service import ServiceInformation
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem, did_you_mean
from sim.vehicle.reading import read_car


@dataclass(frozen=True, slots=True)
class CarRow:
    """A car that comes with busbay: its name, its title, how many modules and CAN buses it has."""

    name: str
    title: str
    modules: int
    buses: int


@command("cars", examples=["cars", "cars --json"], result=tuple[CarRow, ...])
def cars(as_json: bool) -> None:
    """List the cars that come with busbay."""
    read = {name: read_car(path) for name, path in shipped_cars().items()}
    rows = [
        CarRow(name, one.title, len(one.built.modules), len(one.built.buses)) for name, one in read.items()
    ]
    if as_json:
        print_json(rows)
        return
    told = [(one.name, str(one.modules), str(one.buses), one.title) for one in rows]
    print_table(("name", "modules", "buses", "car"), told)


@dataclass(frozen=True, slots=True)
class BusRow:
    """A bus: its name, its sort (CAN, CAN FD, LIN), its bit rate, and what its line passes."""

    name: str
    sort: str
    bitrate_bps: int
    line: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ModuleRow:
    """A module: its diagnostic address (null: none of its own), what it sends, whom it monitors."""

    name: str
    title: str
    address: int | None
    sends: tuple[str, ...]
    monitors: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CarSummary:
    """What a vehicle file describes."""

    title: str
    about: str
    fuses: tuple[str, ...]
    relays: tuple[str, ...]
    grounds: tuple[str, ...]
    inline_connectors: tuple[str, ...]
    buses: tuple[BusRow, ...]
    modules: tuple[ModuleRow, ...]


@command(
    "car",
    examples=["car teaching-car", "car my-van.yaml --full", "car teaching-car --json"],
    result=CarSummary,
)
@car_argument
@click.option("--full", is_flag=True, help="Print the file with every default filled in.")
@click.option("--faults", is_flag=True, help="Print every single fault that a search tries.")
def car(car: str, full: bool, faults: bool, as_json: bool) -> None:
    """Check a vehicle file and print what it describes."""
    if full + faults + as_json > 1:
        raise click.UsageError("--full, --faults and --json exclude each other")
    found = find_car(car)
    if faults:
        print("\n".join(catalogue(found)))
    elif full:
        text = StringIO()
        YAML().dump(found.built.model_dump(mode="json", by_alias=True, exclude_none=True), text)
        print(text.getvalue(), end="")
    elif as_json:
        print_json(summary_of(found))
    else:
        _print_summary(summary_of(found))


def summary_of(car: Car) -> CarSummary:
    """What a car is, in rows."""
    built = car.built
    can = [
        BusRow(
            name,
            "Ethernet" if one.is_ethernet else "CAN FD" if one.fd else "CAN",
            one.bitrate_bps,
            tuple(map(str, one.line)),
        )
        for name, one in built.buses.items()
    ]
    lin = [
        BusRow(name, "LIN", one.bitrate_bps, (f"{one.master} (master)", *map(str, one.line)))
        for name, one in built.lin.items()
    ]
    modules = [
        ModuleRow(
            name,
            one.title,
            car.addresses.get(name),
            tuple(f"{each.shown_id} {each.period_s * 1000:g} ms" for each in car.messages.of(name)),
            tuple(each.sender for each in car.messages.expected[name]),
        )
        for name, one in built.modules.items()
    ]
    return CarSummary(
        car.title, built.about.strip(), tuple(built.fuses), tuple(built.relays), tuple(built.grounds),
        tuple(built.inline), (*can, *lin), tuple(modules),
    )  # fmt: skip


def _print_summary(told: CarSummary) -> None:
    print(told.title)
    if told.about:
        print(told.about)
    print(
        f"{len(told.fuses)} fuses, {len(told.relays)} relays, {len(told.grounds)} ground points, "
        f"{len(told.inline_connectors)} in-line connectors\n"
    )
    buses = [
        (one.name, one.sort, f"{one.bitrate_bps / 1000:g} kbit/s", " - ".join(one.line)) for one in told.buses
    ]
    print_table(("bus", "sort", "bit rate", "line"), buses)
    print()
    modules = [
        (
            one.name, one.title, "" if one.address is None else f"{one.address:03X}",
            ", ".join(one.sends) or "nothing", ", ".join(one.monitors) or "no module",
        )
        for one in told.modules
    ]  # fmt: skip
    print_table(("module", "name", "address", "sends", "monitors"), modules)


@dataclass(frozen=True, slots=True)
class SentenceRow:
    """A sentence: its sort (action, observation, fault, repair, theory) and its text."""

    sort: str
    text: str


@command(
    "words",
    examples=["words teaching-car", "words teaching-car unplug", "words teaching-car --json"],
    result=tuple[SentenceRow, ...],
)
@car_argument
@click.argument("beginning", nargs=-1, help="Only sentences that begin with these words, all of them.")
def words(car: str, beginning: tuple[str, ...], as_json: bool) -> None:
    """Print the sentences that a car understands.

    Without a beginning: one line for each verb, with how many sentences begin with it and one of them. A `?`
    is in the place of a figure, such as 0.5 in `corrode G1 0.5 ohm`.
    """
    begun = " ".join(beginning)
    known = sentences_of(find_car(car))
    found = [one for one in known if one.text.startswith(begun)]
    if not found:
        near = did_you_mean(begun, verbs_of(known))
        raise Problem(f"no sentence of this car begins with '{begun}'{near}")
    if as_json:
        print_json([SentenceRow(one.sort, one.text) for one in found])
    elif begun:
        print("\n".join(one.text for one in found))
    else:
        rows = [(one.sort, one.verb, str(one.count), one.example) for one in verbs_of(known).values()]
        print_table(("sort", "begins with", "sentences", "such as"), rows)


@command("diagram", examples=["diagram teaching-car F3", "diagram teaching-car ECM.C1 --out ecm.svg"])
@car_argument
@click.argument("name", help="A module, fuse, relay, load, switch, bus or connector.")
@click.option("--out", type=FILE, help="The SVG file to write (default: print it).")
def diagram(car: str, name: str, out: Path | None) -> None:
    """Draw a wiring diagram or a connector as SVG."""
    service = ServiceInformation(find_car(car))
    svg = (face if name in service.car.connectors else drawing)(service, name)
    if out:
        write_told(out, svg)
    else:
        print(svg)
