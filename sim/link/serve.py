"""What `busbay serve` does: a live car until Ctrl-C, with actions typed meanwhile."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final

import click

from sim.catalogue import STANDARD_INPUT
from sim.command_line import CarWork, PortNumber, command, work_options
from sim.instruments.run_command import print_step, worked
from sim.link.doip_server import is_loopback
from sim.link.live_link import LiveLink
from sim.network.doip import ENTITY_ADDRESS, EVERY_MODULE, PORT
from sim.vehicle.problems import Problem

ENDED_BY: Final = (signal.SIGINT, signal.SIGTERM)
LOOK_S: Final = 0.5  # how often to see whether the car still runs


class Ending:
    """Ctrl-C and a plain kill as one orderly end. A context manager.

    While it is entered, they raise `KeyboardInterrupt` inside `waiting` only, at once or as soon as it is
    entered: a line that is being written, or an end that has begun, is never torn.
    """

    def __init__(self) -> None:
        self._asked = self._interruptible = False

    def __enter__(self) -> Ending:
        self._before = {number: signal.signal(number, self._ask) for number in ENDED_BY}
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """What is done inside may be interrupted."""
        self._interruptible = True
        try:
            if self._asked:
                raise KeyboardInterrupt
            yield
        finally:
            self._interruptible = False

    def _ask(self, number: int, frame: object) -> None:
        self._asked = True
        if self._interruptible:
            self._interruptible = False  # a second signal does not interrupt the end
            raise KeyboardInterrupt


def serve(link: LiveLink, actions: Iterable[str]) -> int:
    """Serve until Ctrl-C or SIGTERM, and do the actions as they come; 1 where the car stops by itself."""
    with Ending() as ending, link:
        try:
            print("\n".join(statement(link)), flush=True)
            _do_all(link, ending, iter(actions))
            while link.car.running:
                with ending.waiting():
                    time.sleep(LOOK_S)
        except KeyboardInterrupt:
            print("stopped")
            return 0
    raise Problem(link.car.failure)


def _do_all(link: LiveLink, ending: Ending, actions: Iterator[str]) -> None:
    while True:
        with ending.waiting():
            text = next(actions, None)
            if text is None:
                return
            told = _told(link, text.strip())
        print(told, end="", flush=True)


def statement(link: LiveLink) -> Iterator[str]:
    """What runs where, and who can reach it."""
    car = link.car.bench.car
    yield f"{car.title} runs in real time; actions such as 'press start' may be typed, Ctrl-C ends it"
    if link.doip:
        yield f"diagnostics over IP on {link.doip.host} port {link.doip.port} (TCP and UDP)"
        addresses = ", ".join(f"{name} {address:04X}" for name, address in car.addresses.items())
        yield f"  addresses: gateway {ENTITY_ADDRESS:04X}, all modules {EVERY_MODULE:04X}, {addresses}"
        if not is_loopback(link.doip.host):
            yield (
                f"CAUTION: {link.doip.host} is no loopback address. Every computer that reaches this one can "
                "talk to this car; nothing asks for a password."
            )
    for bridge in link.bridges:
        yield f"raw frames of the diagnostic connector on {bridge.where}"
        if not bridge.where.startswith("virtual:"):
            yield "CAUTION: they really go out there. Never with a vehicle connected to that bus."


def _told(link: LiveLink, text: str) -> str:
    """Do an action; returns what to say about it, in whole lines."""
    if not text:
        return ""
    try:
        outcome = link.car.do(text)
    except Problem as problem:
        return f"busbay: {problem}\n"
    lines = [f"{event.time_s:9.3f}  {event.text}" for event in outcome.events]
    return "\n".join([*lines, f"{link.car.bench.now_s:9.3f} s  {outcome.action}\n"])


@command(
    "serve", examples=['serve shuttle-minibus --do "press start"', "serve my-van.yaml --can virtual:car"]
)
@work_options
@click.option(
    "--doip-port", type=PortNumber(), default=PORT, show_default=True, help="Port of diagnostics over IP."
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--can",
    metavar="INTERFACE:CHANNEL",
    multiple=True,
    help="Raw frames of the diagnostic connector on this bus of python-can; again for more.",
)
def serve_car(
    work: CarWork,
    doip_port: int,
    host: str,
    can: tuple[str, ...],
) -> int:
    """Let other programs talk to a car in real time.

    Actions that are typed meanwhile are done. Ctrl-C ends it in order, with exit code 0.
    """
    if work.car == STANDARD_INPUT:
        raise Problem("serve reads actions from standard input: give the path of a vehicle file")
    bench = work.bench()
    for step in worked(bench, work.actions):
        print_step(step)
    return serve(LiveLink(bench, doip_port=doip_port, host=host, can_buses=can), sys.stdin)
