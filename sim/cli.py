"""The `busbay` command. Each subcommand is one row of COMMANDS.

Help must not wait for what it does not need: the module of a subcommand is imported when it is the one asked
for, and this module imports nothing heavy.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module

from sim.vehicle.problems import Problem, Unsettled

STOPPED = 130  # 128 + SIGINT: the exit status that shells give to what Ctrl-C ended (POSIX shell convention)
CAR, LINK, LAB = "sim.link.bench_commands", "sim.link.serve", "sim.lab.commands"
DOOR, TRAINING = "sim.front_door", "sim.training.commands"


@dataclass(frozen=True)
class Command:
    """One subcommand: its name, a line of help, and the module and names of its two functions.

    `run` gets the parsed arguments and returns the exit status: 0 when all went well. `arguments` gets the
    parser; without it there are none.
    """

    name: str
    help: str
    module: str
    run: str
    arguments: str = ""

    def prepare(self, parser: argparse.ArgumentParser) -> None:
        """Give a parser this command's arguments and what it does."""
        module = import_module(self.module)
        if self.arguments:
            getattr(module, self.arguments)(parser)
        run: Callable[[argparse.Namespace], int] = getattr(module, self.run)
        parser.set_defaults(run=run)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one subcommand and return its exit status; bad arguments end in one line and status 2."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    try:
        chosen = _parser(words[:1]).parse_args(words)
        status: int = chosen.run(chosen)
    except (Problem, Unsettled) as problem:
        print(f"busbay: {problem}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nbusbay: stopped by Ctrl-C.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # the reader has closed the pipe; without this Python complains once more as it exits
        sys.stderr.close()
        return 0
    return status


def _parser(asked: list[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="busbay", description="A service bay for vehicle networks.")
    subcommands = parser.add_subparsers(metavar="command", required=True)
    for command in COMMANDS:
        subparser = subcommands.add_parser(command.name, help=command.help, description=command.help)
        if [command.name] == asked:
            command.prepare(subparser)
    return parser


COMMANDS = (
    Command("bay", "open the bay: start the front end in the browser", DOOR, "open_bay", "bay_arguments"),
    Command(
        "passphrase",
        "choose the instructor's passphrase, on the machine that keeps the records",
        DOOR,
        "passphrase",
        "records_argument",
    ),
    Command("cars", "list the cars that come with busbay", CAR, "list_cars"),
    Command("car", "check a vehicle file and print what it describes", CAR, "show_car", "car_arguments"),
    Command("run", "work on a car: edits, actions, scans, and why", CAR, "run", "run_arguments"),
    Command("diagram", "draw a wiring diagram or a connector as SVG", CAR, "diagram", "diagram_arguments"),
    Command("serve", "let other programs talk to a car in real time", LINK, "serve_car", "serve_arguments"),
    Command("record", "write every frame of some actions into a log", CAR, "record", "record_arguments"),
    Command("import", "begin a vehicle file from a recorded log", CAR, "import_log", "import_arguments"),
    Command("case", "run the stories of a case: which give all that was seen", LAB, "case", "case_arguments"),
    Command(
        "causes",
        "every fault, and theory about the car's design, that shows all that was seen in a case",
        LAB,
        "causes",
        "causes_arguments",
    ),
    Command(
        "codes",
        "which codes of a scan report matter: the absent modules that explain most of them",
        "sim.lab.codes_command",
        "codes",
        "codes_arguments",
    ),
    Command(
        "suspects-check",
        "compare the search for possible causes with runs of pairs drawn by chance",
        LAB,
        "search_check",
        "search_check_arguments",
    ),
    Command(
        "technician",
        "minutes to isolation by next best check, fixed order and random order",
        LAB,
        "technician",
        "technician_arguments",
    ),
    Command(
        "compounds",
        "pairs of faults that hide each other, show something new or look like another",
        LAB,
        "compounds",
        "compounds_arguments",
    ),
    Command("exercises", "list the exercises that come with busbay", TRAINING, "list_exercises"),
    Command(
        "exercise", "show the work order of an exercise", TRAINING, "show_exercise", "exercise_arguments"
    ),
    Command("try", "work on the car of an exercise and hand in", TRAINING, "try_exercise", "try_arguments"),
    Command(
        "debrief",
        "what each check of an attempt was worth",
        TRAINING,
        "print_debrief",
        "debrief_arguments",
    ),
)


if __name__ == "__main__":
    sys.exit(main())
