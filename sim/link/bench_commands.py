"""One car from the command line: what it is, work on it, its diagrams, its recorded logs."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from io import StringIO
from pathlib import Path

from ruamel.yaml import YAML

from sim.arguments import actions, car_argument, work_arguments
from sim.bench.actions import FORMS
from sim.bench.bench import Bench, Outcome
from sim.bench.explain import (
    Because,
    why_awake,
    why_battery,
    why_code,
    why_engine,
    why_mode,
    why_silent,
    why_telltale,
)
from sim.bench.observations import is_observation
from sim.catalogue import find_car, shipped_cars
from sim.instruments.diagram import drawing
from sim.instruments.module_diagram import face
from sim.instruments.read import shown
from sim.instruments.scope import Picture
from sim.instruments.screen import figure
from sim.instruments.seat import seat_of
from sim.instruments.service import ServiceInformation
from sim.link.log_import import read_log, vehicle_file
from sim.link.recording import FORMATS, Recording
from sim.link.timeline import TimelineRecorder, save_picture
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import read_car
from sim.vehicle.words import counted

MOST_REASONS = 100  # lines of one answer: a screen or two


def list_cars(chosen: Namespace) -> int:
    """Print the cars that come with busbay."""
    del chosen
    for name, path in shipped_cars().items():
        car = read_car(path)
        print(f"{name:18} {len(car.built.modules):3} modules, {len(car.built.buses)} buses  {car.title}")
    return 0


def car_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `show_car`."""
    car_argument(parser)
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--full", action="store_true", help="print the file with every default filled in")
    shown.add_argument("--faults", action="store_true", help="print every single fault that can be set")


def show_car(chosen: Namespace) -> int:
    """Print what a car is: a summary, its whole file, or its single faults."""
    car = find_car(chosen.car)
    if chosen.faults:
        print("\n".join(catalogue(car)))
    elif chosen.full:
        text = StringIO()
        YAML().dump(car.built.model_dump(mode="json", by_alias=True, exclude_none=True), text)
        print(text.getvalue(), end="")
    else:
        _summary(car)
    return 0


def _summary(car: Car) -> None:
    built = car.built
    print(car.title)
    if built.about:
        print(built.about.strip())
    print(
        f"{len(built.fuses)} fuses, {len(built.relays)} relays, {len(built.grounds)} ground points, "
        f"{len(built.inline)} in-line connectors"
    )
    for bus, spec in built.buses.items():
        rate = f"{spec.bitrate_bps // 1000} kbit/s{', FD' if spec.fd else ''}"
        print(f"  {bus} ({rate}): {' - '.join(spec.line)}")
    for name, cluster in built.lin.items():
        rate = f"LIN, {cluster.bitrate_bps / 1000:g} kbit/s, master {cluster.master}"
        print(f"  {name} ({rate}): {' - '.join(cluster.line)}")
    for name, module in built.modules.items():
        sent = ", ".join(f"{one.can_id:03X} {one.period_s * 1000:g} ms" for one in car.messages.of(name))
        heard = ", ".join(one.sender for one in car.messages.expected[name])
        title = f"{name} {module.title}".strip()
        print(f"  {title} [{f'{car.addresses[name]:03X}' if name in car.addresses else 'LIN'}]")
        print(f"      sends {sent or 'nothing'}; monitors {heard or 'no module'}")


def diagram_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `diagram`."""
    car_argument(parser)
    parser.add_argument("name", help="a module, fuse, relay, load, switch, bus or connector")
    parser.add_argument("--out", type=Path, help="the SVG file to write (default: print it)")


def diagram(chosen: Namespace) -> int:
    """Print a wiring diagram or connector face as SVG, or write it."""
    service = ServiceInformation(find_car(chosen.car))
    svg = (face if chosen.name in service.car.connectors else drawing)(service, chosen.name)
    if chosen.out:
        chosen.out.write_text(svg, encoding="utf-8")
    else:
        print(svg)
    return 0


def run_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `run`."""
    work_arguments(parser)
    parser.add_argument("--events", action="store_true", help="print every event of each action")
    parser.add_argument("--trace", type=Path, help="write the whole trace as JSON lines")
    parser.add_argument("--pictures", type=Path, help="a folder for a PNG of every sweep of the scope")
    parser.add_argument(
        "--why",
        metavar="QUESTION",
        action="append",
        default=[],
        help="mode, engine, battery, 'awake body', 'silent ECM', 'code ECM U0101', 'lamp security'",
    )


def run(chosen: Namespace) -> int:
    """Do actions at a car and print what comes of them, then the answers to questions."""
    bench = work(chosen, chosen.events, chosen.pictures)
    if not (bench.log or chosen.why or chosen.trace):
        print(f"Nothing was done. Say what with --do 'ACTION', as often as there are actions:\n\n{FORMS}")
    for question in chosen.why:
        print("\n".join(_bounded(list(why(bench, question).to_edits().lines()))))
    if chosen.trace:
        chosen.trace.write_text("".join(f"{line}\n" for line in bench.trace.lines()), encoding="utf-8")
    return 0


def _bounded(lines: list[str]) -> list[str]:
    """The first `MOST_REASONS` lines, and how many are left out."""
    left_out = len(lines) - MOST_REASONS
    return lines if left_out <= 0 else [*lines[:MOST_REASONS], f"... and {counted(left_out, 'line')} more"]


def work(chosen: Namespace, events: bool = False, pictures: Path | None = None) -> Bench:
    """A bench with the chosen actions done."""
    bench = Bench(find_car(chosen.car), chosen.given, chosen.seed)
    for number, text in enumerate(actions(chosen), start=1):
        outcome = bench.do(text)
        _print_outcome(bench, outcome, events)
        if is_observation(outcome.action):
            _print_reading(bench, number, pictures)
    return bench


def _print_reading(bench: Bench, number: int, pictures: Path | None) -> None:
    result = shown(bench)
    print(f"    {result.display}")
    for words in (*result.notes, *result.cautions, *(f"harm: {one}" for one in result.harm)):
        print(f"      {words}")
    if pictures and isinstance(result, Picture):
        pictures.mkdir(parents=True, exist_ok=True)
        path = pictures / f"{number:02d}.png"
        figure(result).savefig(path, dpi=110)
        print(f"      saved as {path}")


def why(bench: Bench, question: str) -> Because:
    """The answer to `mode`, `engine`, `battery`, `awake body`, `silent ECM`, `code ECM U0101`, `lamp mil`."""
    match question.split():
        case ["mode"]:
            return why_mode(bench)
        case ["engine"]:
            return why_engine(bench)
        case ["battery"]:
            return why_battery(bench)
        case ["awake", bus]:
            return why_awake(bench, bus)
        case ["silent", module]:
            return why_silent(bench, module)
        case ["code", module, code]:
            return why_code(bench, module, code)
        case ["lamp", name]:
            return why_telltale(bench, name)
    known = "mode, engine, battery, awake BUS, silent MODULE, code MODULE CODE, lamp NAME"
    raise EditProblem(f"'{question}' is no question; known: {known}")


def _print_outcome(bench: Bench, outcome: Outcome, events: bool) -> None:
    seat = seat_of(bench)
    lamps = f", lamps: {' '.join(seat.lit)}" if seat.lit else ""
    print(f"{bench.now_s:9.3f} s  {outcome.action}  [{seat.ignition}, engine {seat.engine}{lamps}]")
    if events:
        for event in outcome.events:
            print(f"    {event.time_s:9.4f}  {event.text}")
    if outcome.words:
        print(f"    {outcome.words}")
    if outcome.report is not None:
        told = [row for row in outcome.report.rows() if row["code"] or row["answer"] != "answers"]
        width = max((len(row["module"]) for row in told), default=0)
        for row in told:
            found = row["code"] or row["answer"]
            print(f"    {row['module']:{width}} {found:10} {row['text']} {row['status']}".rstrip())


def record_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `record`."""
    work_arguments(parser)
    parser.add_argument(
        "--out", type=Path, required=True, help=f"file to write; its ending says how: {' '.join(FORMATS)}"
    )
    parser.add_argument(
        "--picture", type=Path, help="also draw bus load, module states and codes (.svg, .png or .pdf)"
    )


def record(chosen: Namespace) -> int:
    """Record the frames of all buses while actions are done."""
    bench = Bench(find_car(chosen.car), chosen.given, chosen.seed)
    with Recording(bench.live, chosen.out) as recording, TimelineRecorder(bench.live) as timeline:
        for text in actions(chosen):
            _print_outcome(bench, bench.do(text), events=False)
    print(f"{recording.frames} frames in {', '.join(str(path) for path in recording.files)}")
    if chosen.picture:
        save_picture(timeline.stop(), chosen.picture)
    return 0


def import_arguments(parser: ArgumentParser) -> None:
    """Add the arguments of `import_log`."""
    parser.add_argument("log", type=Path, help="a recorded log in any format that python-can reads")
    parser.add_argument("--out", type=Path, required=True, help="the vehicle file to begin")
    parser.add_argument("--channel", help="which channel, where the log holds several")
    parser.add_argument("--bitrate", type=int, default=500_000, help="of the bus in bit/s (%(default)s)")


def import_log(chosen: Namespace) -> int:
    """Write a vehicle file from a log of real frames."""
    contents = read_log(chosen.log, chosen.channel)
    text = vehicle_file(contents, chosen.bitrate)
    try:
        with chosen.out.open("x", encoding="utf-8") as file:  # never over an existing file
            file.write(text)
    except OSError as error:
        raise Problem(f"{chosen.out} cannot be written: {error.strerror}") from None
    print(f"{chosen.out}: {len(contents.periodic())} messages; 'busbay car {chosen.out}' shows them")
    return 0
