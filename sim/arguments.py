"""What several subcommands take in the same words: a car, what is done to it, a port."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError, Namespace
from pathlib import Path

from sim.catalogue import CAR_HELP
from sim.vehicle.problems import Problem


def car_argument(parser: ArgumentParser) -> None:
    """A car by name, path or standard input."""
    parser.add_argument("car", help=CAR_HELP)


def work_arguments(parser: ArgumentParser) -> None:
    """A car, the edits that it arrives with, and what is done to it."""
    car_argument(parser)
    parser.add_argument(
        "--given", metavar="EDIT", action="append", default=[], help="an edit that the car arrives with"
    )
    action_arguments(parser)
    parser.add_argument("--seed", type=int, default=0, help="seed of the run (default: 0)")


def action_arguments(parser: ArgumentParser) -> None:
    """What is done, in order: read by `actions`."""
    parser.add_argument("--do", metavar="ACTION", action="append", default=[], help="an action, in order")
    parser.add_argument("--script", type=Path, help="a file with one action per line, done before --do")


def port(text: str) -> int:
    """A port of this computer, 1 to 65535."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise ArgumentTypeError(f"'{text}' is not a port: a whole number from 1 to 65535")


def actions(chosen: Namespace) -> list[str]:
    """All actions that were asked for: those of the script, then those of `--do`."""
    return [*_script(chosen.script), *chosen.do]


def _script(path: Path | None) -> list[str]:
    if path is None:
        return []
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise Problem(f"{path} cannot be read as a list of actions: {error}") from None
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
