"""Minibuses rebuilt by chance, some of their modules unplugged, and what a scan of them tells, with noise."""

from __future__ import annotations

import random
from dataclasses import dataclass

from sim.catalogue import vehicle_text
from sim.lab.case import CodeSeen, Evidence
from sim.lab.claims import claims_of
from sim.lab.drive import first_look
from sim.lab.run import Trial, run_trial
from sim.lab.sight import Sight
from sim.vehicle.quick_car import TableRow, vehicle_file
from sim.vehicle.reading import car_from_text

LEFT_OUT, MOVED = 0.15, 0.2  # shares of modules that a rebuilt bus has not, and has elsewhere
NOT_TOLD = 0.1  # share of codes that a report misses
ODD_CODES = 4  # at most so many codes in a report have nothing to do with what is wrong
STILL_THERE = 0.2  # share of those that are present, not history
UNRELATED = ("P0113", "B1342", "C0035", "P0562", "U0073", "P0700")


@dataclass(frozen=True)
class Rebuilt:
    """A car begun from a table of modules and buses, its absent modules, and a noisy report of its codes."""

    vehicle: str
    absent: frozenset[str]
    report: Evidence


def rebuilt_minibus(seed: int) -> Rebuilt:
    """A minibus rebuilt by chance, with 1 to 4 of its modules unplugged, started and scanned."""
    dice = random.Random(seed)
    vehicle = vehicle_file(_rows(dice))
    car = car_from_text(vehicle)
    absent = dice.sample(list(car.claimed.modules), dice.randint(1, 4))
    unplugged = tuple(f"unplug {plug}" for plug, spec in car.connectors.items() if spec.owner in absent)
    sight = run_trial(Trial(vehicle, unplugged, first_look(car))).sights[-1]
    codes = [CodeSeen(*code) for code in sight.codes if dice.random() > NOT_TOLD]
    lost = tuple(sorted(claims_of(car).lost.values()))
    return Rebuilt(
        vehicle,
        frozenset(absent),
        Evidence(
            answers=sight.answering, silent=sight.silent, codes=(*codes, *_odd_codes(sight, lost, dice))
        ),
    )


def _rows(dice: random.Random) -> list[TableRow]:
    """The minibus's modules in the order of a tester's list: some left out, some on another bus."""
    buses_of = car_from_text(vehicle_text("shuttle-minibus")).messages.buses_of
    gateways = {name: buses for name, buses in buses_of.items() if len(buses) > 1}
    buses = list(dict.fromkeys(bus for some in buses_of.values() for bus in some if bus != "diag"))
    place: dict[str, tuple[str, ...]] = {}
    for name, own in buses_of.items():
        if name in gateways or dice.random() > LEFT_OUT:
            place[name] = (dice.choice(buses),) if len(own) == 1 and dice.random() < MOVED else own
    return [TableRow(name, ", ".join(own), hears=_hears(name, place, dice)) for name, own in place.items()]


def _hears(name: str, place: dict[str, tuple[str, ...]], dice: random.Random) -> str:
    """To whom a module listens: mostly those beside it, and one or two behind a gateway."""
    others = [one for one in place if one != name]
    beside = [one for one in others if set(place[one]) & set(place[name])]
    near = dice.sample(beside, min(len(beside), dice.randint(3, 8)))
    far = dice.sample(others, dice.randint(0, 2))
    return ", ".join(dict.fromkeys([*near, *far])) or "-"


def _odd_codes(sight: Sight, lost: tuple[str, ...], dice: random.Random) -> list[CodeSeen]:
    """Codes of other repairs and other faults, in modules that answer."""
    some = [dice.choice([*UNRELATED, *lost]) for _ in range(dice.randint(0, ODD_CODES))]
    return [
        CodeSeen(dice.choice(sight.answering), code, "present" if dice.random() < STILL_THERE else "stored")
        for code in some
        if sight.answering
    ]
