"""The front end's own process: at which address it is served, and who keeps its door."""

from __future__ import annotations

import errno
import getpass
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import click

from sim.command_line import PortNumber, command
from sim.lab.workshop import CLUSTER_VARIABLE, on_cluster
from sim.training.class_commands import records_option
from sim.training.passphrase import FREE_TRIES, Door, check_length
from sim.training.records import RECORDS_VARIABLE, Records, records_url
from sim.vehicle.problems import Problem

LOOPBACK = "127.0.0.1"
PROXY_EXAMPLE = Path(__file__).with_name("haproxy.cfg")
PARENT_VARIABLE = "BUSBAY_PARENT"  # the process without which the server ends, see `ui.serve`
LOOPBACKS = (LOOPBACK, "::1", "localhost")
EXPOSED = """\
busbay: serving at {address}, port {port}: everyone who reaches this computer there can
  - work in the free bay and in What if, with this computer's processors and memory;
  - join a class with its code, and come back as the student whose key they know;
  - try the instructor's passphrase (slowed down after {free} wrong ones, each is written down).
Nothing is encrypted on the way: passphrase and keys can be read on the network. In a room that is not
yours alone, put a proxy with TLS before it. No file of this computer is served but busbay's own."""


@command("bay", examples=["bay", "bay --port 8600", "bay --address 0.0.0.0 --records sqlite:///class.sqlite"])
@click.option("--port", type=PortNumber(), default=8501, show_default=True, help="Port on this computer.")
@click.option(
    "--address",
    default=LOOPBACK,
    show_default=True,
    help="Address to serve at; with any other than the default this computer can be reached from its "
    "network, as the command then says.",
)
@records_option
@click.option("--cluster", metavar="ADDRESS", help="Have searches of the lab done on a Dask cluster there.")
@click.option(
    "--proxy-example", is_flag=True, help="Print a configuration for two front ends behind HAProxy with TLS."
)
def bay(port: int, address: str, records: str | None, cluster: str | None, proxy_example: bool) -> int:
    """Open the bay in the browser.

    Ctrl-C ends it in order, with exit code 0.
    """
    if proxy_example:
        print(PROXY_EXAMPLE.read_text(encoding="utf-8"), end="")
        return 0
    environment = dict(os.environ)
    if records:
        environment[RECORDS_VARIABLE] = records
        Records(records).close()  # a wrong URL is an error here, not on every page
    if cluster:
        environment[CLUSTER_VARIABLE] = cluster
        with on_cluster(cluster):  # so is an address at which none answers
            pass
    if address not in LOOPBACKS:
        print(EXPOSED.format(address=address, port=port, free=FREE_TRIES), file=sys.stderr)
    _refuse_port_in_use(address, port)
    environment[PARENT_VARIABLE] = str(os.getpid())
    host = f"[{address}]" if ":" in address else address
    print(f"busbay: the bay opens at http://{host}:{port}; Ctrl-C ends it.", flush=True)
    with subprocess.Popen(front_end_command(port, address), env=environment) as server:
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


@command("passphrase", examples=["passphrase", "passphrase --name 'Ines Duarte'"])
@click.option("--name", default="", help="Of another instructor, who is added if there is none of this name.")
@records_option
def passphrase(name: str, records: str | None) -> None:
    """Choose the instructor's passphrase.

    On the machine that keeps the records. Everyone signed in before is signed out; with --name only this
    instructor is.
    """
    kept = Records(records or records_url())
    try:
        new = getpass.getpass("the instructor's passphrase from now on: ")
        check_length(new)
        if new != getpass.getpass("once more: "):
            raise Problem("the two passphrases differ; the old one stays")
        door = Door(kept.engine)
        if name:
            door.give(name, new)
        else:
            door.forget_passphrase()
            door.set_passphrase(new)
    except EOFError:
        raise Problem("nothing was entered; the old passphrase stays") from None
    finally:
        kept.close()
    whose = f"{name} signs in with this name and it." if name else "Everyone signed in before is signed out."
    print(f"The instructor's pages open with it. {whose}")
