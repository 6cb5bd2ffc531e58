"""The `busbay` command. Each subcommand is one row of COMMANDS."""

import argparse
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

FRONT_END = Path(__file__).resolve().parent.parent / "ui" / "app.py"


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
    status: int = chosen.run(chosen)
    return status


def _bay_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port", type=_port, default=8501, help="port on this computer, 1 to 65535 (default: %(default)s)"
    )


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"'{text}' is not a port: a whole number from 1 to 65535")


def _open_bay(chosen: argparse.Namespace) -> int:
    with subprocess.Popen(front_end_command(chosen.port)) as server:
        # The server outlives neither a Ctrl-C nor a plain kill of this command.
        signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.wait()
            return 0


def front_end_command(port: int) -> list[str]:
    """The command line that serves the front end on the loopback address at `port`.

    It asks nothing on a first run and sends no usage statistics anywhere.
    """
    return [
        *(sys.executable, "-m", "streamlit", "run", str(FRONT_END)),
        *("--server.address", "127.0.0.1"),
        *("--server.port", str(port)),
        *("--server.showEmailPrompt", "false"),
        *("--browser.gatherUsageStats", "false"),
    ]


COMMANDS = (Command("bay", "open the bay: start the front end in the browser", _bay_arguments, _open_bay),)


if __name__ == "__main__":
    sys.exit(main())
