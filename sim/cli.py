"""The `busbay` command. Each subcommand is one row of COMMANDS."""

from __future__ import annotations

import argparse
import getpass
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from ruamel.yaml import YAML

from sim import scenarios_folder
from sim.bench.bench import Bench, Outcome
from sim.bench.live import Unsettled
from sim.bench.observations import OBSERVATION_VERBS
from sim.bench.why import (
    Because,
    why_awake,
    why_battery,
    why_code,
    why_engine,
    why_mode,
    why_silent,
    why_telltale,
)
from sim.instruments.diagram import drawing, face
from sim.instruments.link.doip_messages import PORT
from sim.instruments.link.live_link import LiveLink
from sim.instruments.link.serve import serve
from sim.instruments.log_import import read_log, vehicle_file
from sim.instruments.read import shown
from sim.instruments.recording import FORMATS, Recording
from sim.instruments.scan import rows
from sim.instruments.scope import Picture
from sim.instruments.screen import figure
from sim.instruments.seat import look
from sim.instruments.service import ServiceInformation
from sim.instruments.timeline import TimelineRecorder, save_picture
from sim.lab import commands as lab
from sim.training import commands as training
from sim.training.passphrase import FREE_TRIES, Door, check_length
from sim.training.records import RECORDS_VARIABLE, Records, records_url
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import EditProblem, Problem, did_you_mean
from sim.vehicle.reading import read_car

LOOPBACK = "127.0.0.1"
LOOPBACKS = (LOOPBACK, "::1", "localhost")


@dataclass(frozen=True)
class Command:
    """One subcommand: its name, a line of help, its arguments, and what it does.

    `run` gets the parsed arguments and returns the exit status: 0 when all went well.
    """

    name: str
    help: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one subcommand and return its exit status; bad arguments end in one line and status 2."""
    parser = argparse.ArgumentParser(prog="busbay", description="A service bay for vehicle networks.")
    subcommands = parser.add_subparsers(metavar="command", required=True)
    for command in COMMANDS:
        subparser = subcommands.add_parser(command.name, help=command.help, description=command.help)
        command.add_arguments(subparser)
        subparser.set_defaults(run=command.run)
    chosen = parser.parse_args(arguments)
    try:
        status: int = chosen.run(chosen)
    except (Problem, Unsettled) as problem:
        print(f"busbay: {problem}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # whoever reads has seen enough; without this Python complains once more on its way out
        sys.stderr.close()
        return 0
    return status


def _bay_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port", type=_port, default=8501, help="port on this computer, 1 to 65535 (default: %(default)s)"
    )
    parser.add_argument(
        "--address",
        default=LOOPBACK,
        help="address to serve at; with any other than the default this computer can be reached from its "
        "network, as the command then says (default: %(default)s)",
    )
    _records_argument(parser)


def _records_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--records",
        metavar="URL",
        help="database that keeps the classes, such as sqlite:///class.sqlite or postgresql+psycopg://... "
        "(default: a file in your data folder)",
    )


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"'{text}' is not a port: a whole number from 1 to 65535")


EXPOSED = """\
busbay: serving at {address}, port {port}: everybody who reaches this computer there can
  - work in the free bay and in What if, with this computer's processors and memory;
  - join a class with its code, and come back as the student whose key they know;
  - try the instructor's passphrase (slowed down after {free} wrong ones, each is written down).
Nothing is encrypted on the way: passphrase and keys can be read on the network. In a room that is not
yours alone, put a proxy with TLS before it. No file of this computer is served but busbay's own."""


def _open_bay(chosen: argparse.Namespace) -> int:
    environment = dict(os.environ)
    if chosen.records:
        environment[RECORDS_VARIABLE] = chosen.records
        Records(chosen.records).close()  # a wrong URL is told here, not on everybody's page
    if chosen.address not in LOOPBACKS:
        print(EXPOSED.format(address=chosen.address, port=chosen.port, free=FREE_TRIES), file=sys.stderr)
    with subprocess.Popen(front_end_command(chosen.port, chosen.address), env=environment) as server:
        # The server outlives neither a Ctrl-C nor a plain kill of this command.
        signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.wait()
            return 0


def front_end_command(port: int, address: str = LOOPBACK) -> list[str]:
    """The command line that serves the front end at an address, by default for this computer only.

    It asks nothing on a first run and sends no usage statistics anywhere.
    """
    return [
        *(sys.executable, "-m", "ui.serve"),
        *("--server.address", address),
        *("--server.port", str(port)),
        *("--server.showEmailPrompt", "false"),
        *("--browser.gatherUsageStats", "false"),
    ]


def _passphrase(chosen: argparse.Namespace) -> int:
    kept = Records(chosen.records or records_url())
    try:
        new = getpass.getpass("the instructor's passphrase from now on: ")
        check_length(new)
        if new != getpass.getpass("once more: "):
            raise Problem("these are two different passphrases; the one so far stays")
        door = Door(kept.engine)
        door.forget_passphrase()
        door.set_passphrase(new)
    except (EOFError, KeyboardInterrupt):
        raise Problem("nothing was said; the passphrase so far stays") from None
    finally:
        kept.close()
    print("The instructor's pages open with it. Whoever was in is out.")
    return 0


# -- cars ---------------------------------------------------------------------------------------------------


def shipped_cars() -> dict[str, Path]:
    """The vehicle files that come with busbay, by name."""
    return {path.stem: path for path in sorted((scenarios_folder() / "vehicles").glob("*.yaml"))}


def find_car(name: str) -> Car:
    """A car by the name of a shipped one, or by the path of a vehicle file."""
    shipped = shipped_cars()
    if name in shipped:
        return read_car(shipped[name])
    if "/" not in name and not name.endswith((".yaml", ".yml")) and not Path(name).exists():
        raise Problem(f"no car '{name}'{did_you_mean(name, shipped)}, or give the path of a vehicle file")
    return read_car(name)


def _no_arguments(parser: argparse.ArgumentParser) -> None:
    del parser


def _list_cars(chosen: argparse.Namespace) -> int:
    del chosen
    for name, path in shipped_cars().items():
        car = read_car(path)
        print(f"{name:18} {len(car.built.modules):3} modules, {len(car.built.buses)} buses  {car.title}")
    return 0


def _car_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("car", help="a shipped car's name, or a vehicle file")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--full", action="store_true", help="print the file with every default filled in")
    shown.add_argument("--faults", action="store_true", help="print every single fault that can be set")


def _show_car(chosen: argparse.Namespace) -> int:
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
        print(f"      sends {sent or 'nothing'}; monitors {heard or 'nobody'}")


def _diagram_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("car", help="a shipped car's name, or a vehicle file")
    parser.add_argument("name", help="a module, fuse, relay, load, switch, bus or connector")
    parser.add_argument("--out", type=Path, help="the SVG file to write (default: print it)")


def _diagram(chosen: argparse.Namespace) -> int:
    service = ServiceInformation(find_car(chosen.car))
    svg = (face if chosen.name in service.connectors else drawing)(service, chosen.name)
    if chosen.out:
        chosen.out.write_text(svg, encoding="utf-8")
    else:
        print(svg)
    return 0


# -- working on a car ---------------------------------------------------------------------------------------


def _work_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("car", help="a shipped car's name, or a vehicle file")
    parser.add_argument(
        "--given", metavar="EDIT", action="append", default=[], help="an edit that the car arrives with"
    )
    parser.add_argument("--do", metavar="ACTION", action="append", default=[], help="an action, in order")
    parser.add_argument("--script", type=Path, help="a file with one action per line, done before --do")
    parser.add_argument("--seed", type=int, default=0, help="seed of the run (default: 0)")


def _run_arguments(parser: argparse.ArgumentParser) -> None:
    _work_arguments(parser)
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


def _run(chosen: argparse.Namespace) -> int:
    bench = _work(chosen, chosen.events, chosen.pictures)
    for question in chosen.why:
        print("\n".join(why(bench, question).to_edits().lines()))
    if chosen.trace:
        chosen.trace.write_text("".join(f"{line}\n" for line in bench.trace.lines()), encoding="utf-8")
    return 0


def _work(chosen: argparse.Namespace, events: bool = False, pictures: Path | None = None) -> Bench:
    """A bench with the chosen actions done."""
    bench = Bench(find_car(chosen.car), chosen.given, chosen.seed)
    for number, text in enumerate(_actions(chosen), start=1):
        outcome = bench.do(text)
        _print_outcome(bench, outcome, events)
        if outcome.action.split()[0] in OBSERVATION_VERBS:
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


def _actions(chosen: argparse.Namespace) -> list[str]:
    return [*_script(chosen.script), *chosen.do]


def _script(path: Path | None) -> list[str]:
    if path is None:
        return []
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise Problem(f"{path} cannot be read as a list of actions: {error}") from None
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


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
    seat = look(bench)
    lamps = f", lamps: {' '.join(seat.lit)}" if seat.lit else ""
    print(f"{bench.now_s:9.3f} s  {outcome.action}  [{seat.ignition}, engine {seat.engine}{lamps}]")
    if events:
        for event in outcome.events:
            print(f"    {event.time_s:9.4f}  {event.text}")
    if outcome.words:
        print(f"    {outcome.words}")
    if outcome.report is not None:
        for row in rows(outcome.report):
            if row["code"] or row["answer"] != "answers":
                found = row["code"] or row["answer"]
                print(f"    {row['module']:8} {found:10} {row['text']} {row['status']}".rstrip())


# -- outside programs ---------------------------------------------------------------------------------------


def _serve_arguments(parser: argparse.ArgumentParser) -> None:
    _work_arguments(parser)
    parser.add_argument(
        "--doip-port", type=_port, default=PORT, help="port of diagnostics over IP (default: %(default)s)"
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument(
        "--can",
        metavar="INTERFACE:CHANNEL",
        action="append",
        default=[],
        help="raw frames of the diagnostic connector on this bus of python-can",
    )


def _serve(chosen: argparse.Namespace) -> int:
    bench = _work(chosen)
    link = LiveLink(bench, doip_port=chosen.doip_port, host=chosen.host, can_buses=tuple(chosen.can))
    return serve(link, sys.stdin)


def _record_arguments(parser: argparse.ArgumentParser) -> None:
    _work_arguments(parser)
    parser.add_argument(
        "--out", type=Path, required=True, help=f"file to write; its ending says how: {' '.join(FORMATS)}"
    )
    parser.add_argument(
        "--picture", type=Path, help="also draw bus load, module states and codes (.svg, .png or .pdf)"
    )


def _record(chosen: argparse.Namespace) -> int:
    bench = Bench(find_car(chosen.car), chosen.given, chosen.seed)
    with Recording(bench.live, chosen.out) as recording, TimelineRecorder(bench.live) as timeline:
        for text in _actions(chosen):
            _print_outcome(bench, bench.do(text), events=False)
    print(f"{recording.frames} frames in {', '.join(str(path) for path in recording.files)}")
    if chosen.picture:
        save_picture(timeline.stop(), chosen.picture)
    return 0


def _import_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("log", type=Path, help="a recorded log in any format that python-can reads")
    parser.add_argument("--out", type=Path, required=True, help="the vehicle file to begin")
    parser.add_argument("--channel", help="which channel, where the log holds several")
    parser.add_argument("--bitrate", type=int, default=500_000, help="of the bus in bit/s (%(default)s)")


def _import(chosen: argparse.Namespace) -> int:
    contents = read_log(chosen.log, chosen.channel)
    text = vehicle_file(contents, chosen.bitrate)
    try:
        with chosen.out.open("x", encoding="utf-8") as file:  # never over what somebody has written
            file.write(text)
    except OSError as error:
        raise Problem(f"{chosen.out} cannot be written: {error.strerror}") from None
    print(f"{chosen.out}: {len(contents.periodic())} messages; 'busbay car {chosen.out}' shows them")
    return 0


COMMANDS = (
    Command("bay", "open the bay: start the front end in the browser", _bay_arguments, _open_bay),
    Command(
        "passphrase",
        "choose the instructor's passphrase, on the machine that keeps the records",
        _records_argument,
        _passphrase,
    ),
    Command("cars", "list the cars that come with busbay", _no_arguments, _list_cars),
    Command("car", "check a vehicle file and print what it describes", _car_arguments, _show_car),
    Command("run", "work on a car: edits, actions, scans, and why", _run_arguments, _run),
    Command("diagram", "draw a wiring diagram or a connector as SVG", _diagram_arguments, _diagram),
    Command("serve", "let other programs talk to a car in real time", _serve_arguments, _serve),
    Command("record", "write every frame of some actions into a log", _record_arguments, _record),
    Command("import", "begin a vehicle file from a recorded log", _import_arguments, _import),
    Command(
        "suspects-check",
        "compare the search for suspects with runs of pairs drawn by chance",
        lab.suspects_check_arguments,
        lab.suspects_check,
    ),
    Command(
        "technician",
        "minutes to isolation by next best check, fixed order and random order",
        lab.technician_arguments,
        lab.technician,
    ),
    Command(
        "compounds",
        "pairs of faults that hide each other, show something new or look like another",
        lab.compounds_arguments,
        lab.compounds,
    ),
    Command("exercises", "list the exercises that come with busbay", _no_arguments, training.list_exercises),
    Command(
        "exercise", "show the work order of an exercise", training.exercise_arguments, training.show_exercise
    ),
    Command(
        "try", "work on the car of an exercise and hand in", training.try_arguments, training.try_exercise
    ),
    Command(
        "debrief",
        "what each check of an attempt was worth",
        training.debrief_arguments,
        training.print_debrief,
    ),
)


if __name__ == "__main__":
    sys.exit(main())
