"""What would have hurt somebody, or the car, on a real one: judged from the state just before an action.

Rules are the usual cautions of the trade (common practice). The maker's service information, local rules and
a trained person's judgement go before anything said here.

Not modelled: jacks, fuel, hot parts, high voltage beyond what `sim.instruments.cautions` says.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.bench.bench import Bench
from sim.instruments.seat import look
from sim.vehicle.car import Car

AIRBAG_WAIT_S = 600.0  # at least 10 minutes where the maker's figure is not known; common practice
LIVE = ("accessory", "run", "crank")


def dangers(action: str, bench: Bench, battery_off_s: float | None) -> tuple[str, ...]:
    """What is unsafe about an action (in normal form) on the car as it stands; empty where nothing is.

    `battery_off_s`: for how long the battery has been disconnected, in s; None while it is connected.
    """
    return tuple(_dangers(action.split(), bench, battery_off_s))


def _dangers(words: list[str], bench: Bench, battery_off_s: float | None) -> Iterator[str]:
    match words:
        case ["unplug" | "plug", ("BAT.NEG" | "BAT.POS") as clamp]:
            yield from _at_the_battery(words[0], clamp, bench)
        case ["unplug" | "plug", connector]:
            yield from _at_a_connector(connector, bench, battery_off_s)
        case ["replace", module]:
            for plug in bench.car.connectors.values():
                if plug.owner == module and plug.id not in bench.car.harness.unplugged:
                    yield from _at_a_connector(plug.id, bench, battery_off_s)
                    break
        case ["fit", fuse, rating_a, "A"]:
            rated_a = bench.car.built.fuses[fuse].rating_a
            if float(rating_a) > rated_a:
                yield f"{fuse} is made for {rated_a:g} A: behind {rating_a} A the wire burns first"


def _at_the_battery(verb: str, clamp: str, bench: Bench) -> Iterator[str]:
    if verb == "unplug" and look(bench).engine == "running":
        yield "the battery came off with the engine running: the generator's voltage has nothing to hold it"
    if clamp == "BAT.POS" and "BAT.NEG" not in bench.car.harness.unplugged:
        yield "the plus clamp was moved with the minus clamp on: a slip of the spanner is a short"


def _at_a_connector(name: str, bench: Bench, battery_off_s: float | None) -> Iterator[str]:
    seat = look(bench)
    if seat.engine == "running":
        yield f"{name} was moved with the engine running"
    elif battery_off_s is None and (seat.ignition in LIVE or "key_run" in bench.live.operated):
        yield f"{name} was moved with the ignition on: a connector is joined and parted with ignition off"
    plug = bench.car.connectors.get(name)
    if plug is not None and is_airbag(plug.owner, bench.car) and (battery_off_s or 0.0) < AIRBAG_WAIT_S:
        since = "connected" if battery_off_s is None else f"off for {battery_off_s:.0f} s only"
        yield (
            f"{name} belongs to the airbag module, and the battery was {since}: battery off first, then wait "
            f"as long as the maker says (at least {AIRBAG_WAIT_S / 60:.0f} minutes if unknown)"
        )


def is_airbag(module: str, car: Car) -> bool:
    """Is this module the airbag control module?"""
    return module in car.built.modules and (car.built.modules[module].role or module) == "SRS"
