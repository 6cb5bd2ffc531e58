"""Driving a car, and what hands do to its harness: wiggling, heating, freezing.

Not modeled: which way is driven, brakes, slopes; how hard a hand pulls.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.bench.actions import Action
from sim.bench.live import LiveCar
from sim.bench.orange import refuse_orange_touch
from sim.bench.temperature import FROZEN_C, HEATED_C, elements_at
from sim.modules.facts import MOVES
from sim.vehicle.problems import EditProblem

FASTER_KPH_S, SLOWER_KPH_S = 7, 14  # 2 m/s2 and 4 m/s2, a calm drive and a firm stop; common practice
STEP_S = 1.0
AT_THE_LIGHTS_S = 3.0  # until it is clear whether start-stop stops the engine
RESTART_S = 1.5  # a driver waits as long for an engine that start-stop has stopped; common practice
WIGGLE_S = 6.0  # a hand works along a connector and its wires
Run = Callable[[float], None]


def drive(live: LiveCar, speed_kph: int, run: Run) -> None:
    """Come to a speed; raises `EditProblem` if nothing moves the car."""
    if speed_kph and any(one.start_stop and one.start_stop.cuts for one in live.modules.values()):
        live.operate("brake", False, "the foot leaves the brake pedal")
        run(RESTART_S)
    if live.world.engine.value not in MOVES and speed_kph:
        raise EditProblem("the car cannot be driven: start it first")
    words = f"the car is driven at {speed_kph} km/h" if speed_kph else "the car is stopped"
    live.drive(_speed(live), words)
    while (now_kph := _speed(live)) != speed_kph and (live.world.engine.value in MOVES):
        live.drive(
            max(speed_kph, now_kph - SLOWER_KPH_S)
            if now_kph > speed_kph
            else min(speed_kph, now_kph + FASTER_KPH_S)
        )
        run(STEP_S)


def stop_at_the_lights(live: LiveCar, speed_kph: int, run: Run) -> None:
    """Drive off, brake to a standstill, and wait there with the foot on the brake."""
    if "brake" in live.operated:
        live.operate("brake", False, "the foot leaves the brake pedal")
    drive(live, speed_kph, run)
    live.operate("brake", True, "the light is red: a foot goes on the brake pedal")
    drive(live, 0, run)
    run(AT_THE_LIGHTS_S)


def _speed(live: LiveCar) -> int:
    return int(str(live.world.speed_kph.value))


def wiggle(live: LiveCar, name: str, run: Run) -> None:
    """Shake a place of the harness for some seconds."""
    refuse_orange_touch(name, live.car)
    live.shake(elements_at(name, live.car), f"{name} is wiggled")
    run(WIGGLE_S)
    live.shake()


def warm(live: LiveCar, action: Action, run: Run) -> None:
    """Heat a place with a heat gun, or cool it with freeze spray, and see what it does for some seconds."""
    name, heats = action.argument, action.verb == "heat"
    refuse_orange_touch(name, live.car)
    words = f"{name} is {'heated' if heats else 'cooled with freeze spray'}"
    live.treat(elements_at(name, live.car), HEATED_C if heats else FROZEN_C, words)
    run(WIGGLE_S)
