"""Edits of sensors that signal: one that is silent inside, though its wires and its level are right.

Not modeled: an air gap that is too wide only at low speed, single pulses that are missing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sim.vehicle.answer_parts import signal_sensors
from sim.vehicle.car import Car
from sim.vehicle.edit import Answer, Edit, EditKind, Offer, noted
from sim.vehicle.edit_words import one_name
from sim.vehicle.problems import EditProblem, unknown


def _mute(words: list[str], car: Car) -> Edit:
    name = one_name(words, "mute")
    known = signal_sensors(car)
    if name not in known:
        raise EditProblem(unknown("sensor that signals", name, known))
    change = noted("mute", name, refused=f"{name} gives no signal already")
    return Edit(f"mute {name}", "mute", "fault", change, f"replace {name}", (name,))


def _every_sensor(car: Car) -> Iterator[str]:
    yield from (f"mute {name}" for name in signal_sensors(car))


def _itself(car: Car, name: str) -> Mapping[str, str]:
    return {name: ""} if name in signal_sensors(car) else {}


KINDS = (
    EditKind(
        "mute",
        "fault",
        _mute,
        {"mute": "{part} gives no signal"},
        "replace",
        candidates={"silent sensors": _every_sensor},
        answers=(
            Answer(
                "signal sensor", "gives no signal, failed inside", "mute {other}", "which sensor", _itself
            ),
        ),
        offers=(Offer("signal sensor", "Silence it inside", "mute {part}"),),
    ),
)
