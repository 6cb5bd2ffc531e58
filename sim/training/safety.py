"""What could hurt a person or the car on a real one: judged from the state just before an action.

Rules are the usual cautions of the trade (common practice). The maker's service information, local rules and
a trained person's judgment go before anything said here.

Not modeled: jacks, fuel, hot parts, high voltage beyond what `sim.instruments.cautions` says.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.bench.actions import Action
from sim.bench.bench import Bench
from sim.instruments.seat import seat_of
from sim.modules.facts import MOVES, engine_told
from sim.training.jobs import CLAMPS, POSITIVE_CLAMP
from sim.vehicle.car import Car
from sim.vehicle.codes import is_role
from sim.vehicle.edit import Edit
from sim.vehicle.edits import NEGATIVE_CLAMP

AIRBAG_WAIT_S = 600.0  # at least 10 minutes where the maker's figure is not known; common practice
LIVE = ("accessory", "run", "crank")


def dangers(action: Action, bench: Bench, battery_off_s: float | None) -> tuple[str, ...]:
    """What is unsafe about an action on the car as it is, in sentences; empty where nothing is.

    `battery_off_s`: for how long the battery has been disconnected, in s; None while it is connected.
    """
    return tuple(_dangers(action.edit, bench, battery_off_s)) if action.edit else ()


def _dangers(edit: Edit, bench: Bench, battery_off_s: float | None) -> Iterator[str]:
    part = edit.part
    match edit.verb:
        case "unplug" | "plug" if part in CLAMPS:
            yield from _at_the_battery(edit.verb, part, bench)
        case "unplug" | "plug":
            yield from _at_a_connector(part, bench, battery_off_s)
        case "replace":
            for plug in bench.car.connectors.values():
                if plug.owner == part and plug.id not in bench.car.harness.unplugged:
                    yield from _at_a_connector(plug.id, bench, battery_off_s)
                    break
        case "fit" if edit.figure is not None:
            rated_a = bench.car.built.fuses[part].rating_a
            if edit.figure > rated_a:
                yield f"{part} is made for {rated_a:g} A: behind {edit.figure:g} A the wire burns first"


def _at_the_battery(verb: str, clamp: str, bench: Bench) -> Iterator[str]:
    if verb == "unplug" and seat_of(bench).engine in MOVES:
        source = _charging(bench)
        yield f"the battery came off with the {_moving(bench)}: nothing then limits the {source} voltage"
    if clamp == POSITIVE_CLAMP and NEGATIVE_CLAMP not in bench.car.harness.unplugged:
        yield "the positive clamp was moved with the negative clamp on: a slip of the wrench is a short"


def _at_a_connector(name: str, bench: Bench, battery_off_s: float | None) -> Iterator[str]:
    seat = seat_of(bench)
    if seat.engine in MOVES:
        yield f"{name} was moved with the {_moving(bench)}"
    elif battery_off_s is None and (seat.ignition in LIVE or "key_run" in bench.live.operated):
        yield f"{name} was moved with the ignition on: plug and unplug with the ignition off"
    plug = bench.car.connectors.get(name)
    if plug is not None and is_airbag(plug.owner, bench.car) and (battery_off_s or 0.0) < AIRBAG_WAIT_S:
        since = "connected" if battery_off_s is None else f"off for {battery_off_s:.0f} s only"
        yield (
            f"{name} belongs to the airbag module, and the battery was {since}: battery off first, then wait "
            f"as long as the maker says (at least {AIRBAG_WAIT_S / 60:.0f} minutes if unknown)"
        )


def _moving(bench: Bench) -> str:
    """`engine running` or `vehicle ready`."""
    return engine_told(seat_of(bench).engine)


def _charging(bench: Bench) -> str:
    return "converter's" if bench.car.built.high_voltage else "generator's"


def is_airbag(module: str, car: Car) -> bool:
    """Whether this module is the airbag control module."""
    return module in car.built.modules and is_role(car.built.modules[module].role or module, "AIRBAG")
