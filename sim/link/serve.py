"""What `busbay serve` does: a live car until Ctrl-C, with actions typed meanwhile."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final

from sim.link.doip_messages import ENTITY_ADDRESS, EVERY_MODULE
from sim.link.doip_server import is_loopback
from sim.link.live_link import LiveLink
from sim.vehicle.problems import Problem

LOOK_S: Final = 0.5  # how often to see whether the car still runs


def serve(link: LiveLink, actions: Iterable[str]) -> int:
    """Serve until Ctrl-C or SIGTERM, and do the actions as they come; 1 where the car stops by itself."""
    with link, _ended_by_sigterm():
        print("\n".join(statement(link)), flush=True)
        try:
            for text in actions:
                _do(link, text.strip())
            while link.car.running:
                time.sleep(LOOK_S)
        except KeyboardInterrupt:
            print("the car stands")
            return 0
    raise Problem(link.car.failure)


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


def _do(link: LiveLink, text: str) -> None:
    if not text:
        return
    try:
        outcome = link.do(text)
    except Problem as problem:
        print(f"busbay: {problem}", flush=True)
        return
    for event in outcome.events:
        print(f"{event.time_s:9.3f}  {event.text}")
    print(f"{link.car.bench.now_s:9.3f} s  {outcome.action}", flush=True)


@contextmanager
def _ended_by_sigterm() -> Iterator[None]:
    """A plain kill ends in the same orderly way as Ctrl-C."""

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
