"""What is done to a car by its driver or at the start of a diagnosis: lists of actions that suit any car."""

from __future__ import annotations

from sim.vehicle.car import Car


def operated(car: Car) -> frozenset[str]:
    """What operates the switches of this car: button, brake, key_run ..."""
    return frozenset(switch.operated_by for switch in car.built.switches.values())


def start_by_button(car: Car) -> str:
    """The action that starts a car which has a button, with the brake where that is wired."""
    return "press start with brake" if "brake" in operated(car) else "press start"


def start_of(car: Car) -> list[str]:
    """What starts the car, or switches its ignition on."""
    by_hand = operated(car)
    return [start_by_button(car)] if "button" in by_hand else ["key run"] if "key_run" in by_hand else []


def stop_of(car: Car) -> list[str]:
    """What switches the car off: with the engine running the generator feeds it, battery or not."""
    by_hand = operated(car)
    return ["press start"] if "button" in by_hand else ["key off"] if "key_run" in by_hand else []


def first_look(car: Car) -> tuple[str, ...]:
    """What a technician does first: try to start, wait for the codes, read all modules."""
    start = ["key run", "key crank"] if "key_run" in operated(car) else [start_by_button(car)]
    return ("wait 10 s", *start, "wait 5 s", "scan")


def plain_morning(car: Car) -> list[str]:
    """Start it, switch it off, scan: by the button or the key that the car has."""
    if "key_run" in operated(car):
        return ["key crank", "wait 8 s", "key off", "wait 5 s", "scan"]
    if "button" in operated(car):
        return [start_by_button(car), "wait 8 s", "press start", "wait 5 s", "scan"]
    return ["wait 10 s", "scan"]
