"""The front end's own process: at which address it is served, and who keeps its door."""

from __future__ import annotations

import argparse
import errno
import getpass
import os
import signal
import socket
import subprocess
import sys

from sim.arguments import port
from sim.training.passphrase import FREE_TRIES, Door, check_length
from sim.training.records import RECORDS_VARIABLE, Records, records_url
from sim.vehicle.problems import Problem

LOOPBACK = "127.0.0.1"
PARENT_VARIABLE = "BUSBAY_PARENT"  # the process without which the server ends, see `ui.serve`
LOOPBACKS = (LOOPBACK, "::1", "localhost")
EXPOSED = """\
busbay: serving at {address}, port {port}: everybody who reaches this computer there can
  - work in the free bay and in What if, with this computer's processors and memory;
  - join a class with its code, and come back as the student whose key they know;
  - try the instructor's passphrase (slowed down after {free} wrong ones, each is written down).
Nothing is encrypted on the way: passphrase and keys can be read on the network. In a room that is not
yours alone, put a proxy with TLS before it. No file of this computer is served but busbay's own."""


def bay_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port", type=port, default=8501, help="port on this computer, 1 to 65535 (default: %(default)s)"
    )
    parser.add_argument(
        "--address",
        default=LOOPBACK,
        help="address to serve at; with any other than the default this computer can be reached from its "
        "network, as the command then says (default: %(default)s)",
    )
    records_argument(parser)


def records_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--records",
        metavar="URL",
        help="database that keeps the classes, such as sqlite:///class.sqlite or postgresql+psycopg://... "
        "(default: a file in your data folder)",
    )


def open_bay(chosen: argparse.Namespace) -> int:
    environment = dict(os.environ)
    if chosen.records:
        environment[RECORDS_VARIABLE] = chosen.records
        Records(chosen.records).close()  # a wrong URL is an error here, not on every page
    if chosen.address not in LOOPBACKS:
        print(EXPOSED.format(address=chosen.address, port=chosen.port, free=FREE_TRIES), file=sys.stderr)
    _refuse_port_in_use(chosen.address, chosen.port)
    environment[PARENT_VARIABLE] = str(os.getpid())
    host = f"[{chosen.address}]" if ":" in chosen.address else chosen.address
    print(f"busbay: the bay opens at http://{host}:{chosen.port}; Ctrl-C ends it.", flush=True)
    with subprocess.Popen(front_end_command(chosen.port, chosen.address), env=environment) as server:
        # The server outlives neither a Ctrl-C nor a plain kill of this command.
        signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.wait()
            return 0


def _refuse_port_in_use(address: str, port: int) -> None:
    """Raise `Problem` if another program listens at the port; any other obstacle is told by the server."""
    try:
        family, *_, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        with socket.create_server(place[:2], family=family):
            return
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise Problem(
                f"port {port} is in use, perhaps by another bay; choose another one with --port"
            ) from None


def front_end_command(port: int, address: str = LOOPBACK) -> list[str]:
    """The command line that serves the front end at an address, by default for this computer only.

    It asks nothing on a first run, welcomes to no product but busbay and sends no usage statistics anywhere,
    and its errors link to no outside service.
    """
    return [
        *(sys.executable, "-m", "ui.serve"),
        *("--server.address", address),
        *("--server.port", str(port)),
        *("--server.showEmailPrompt", "false"),
        *("--browser.gatherUsageStats", "false"),
        *("--client.showErrorLinks", "false"),
        *("--logger.hideWelcomeMessage", "true"),
        *("--logger.level", "error"),
    ]


def passphrase(chosen: argparse.Namespace) -> int:
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
    print("The instructor's pages open with it. Everyone signed in before is signed out.")
    return 0
