"""The full picture of every kind of fault on every shipped car, as one markdown table for a teacher.

    python -m tests.fault_pictures                  # all cars, a minute or two for each
    python -m tests.fault_pictures teaching-car     # one car

Each row is a car that comes with one fault, started, driven, scanned, switched off and left: what
differs from the same car without it. Three examples of each kind: the first that the car's lists offer, one
from their middle, and the last; and one of each of its other forms.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

from sim.bench.bench import Bench
from sim.bench.reading_out import LiveReading
from sim.catalogue import shipped_cars
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.instruments.seat import seat_of
from sim.modules.facts import MOVES
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS, catalogue, further_faults, parse_edit
from sim.vehicle.problems import EditProblem, Unsettled
from sim.vehicle.reading import read_car

HEAD = ("fault", "engine", "lamps", "no answer", "codes", "live data of the engine module", "readings")
MOST = 6  # names in one cell
DARK = "dash dark"
RUN_S, REST_S, DRIVEN_KPH = 30, 120, 30


@dataclass(frozen=True)
class Seen:
    """What was seen of one car."""

    engine: str
    lit: tuple[str, ...]
    silent: tuple[str, ...] = ()
    codes: frozenset[str] = frozenset()
    live: dict[str, str] = field(default_factory=dict)
    cranking_v: float | None = None
    running_v: float = 0.0
    rest_v: float = 0.0
    draw_a: float = 0.0
    refused: str = ""


def examples(car: Car) -> list[str]:
    """Three faults of every kind that can be on this car, and one of each other form, in normal form."""
    listed = [*catalogue(car), *further_faults(car)]
    fuse, module = next(iter(car.built.fuses)), next(iter(car.addresses))
    listed += [f"blow {fuse}", f"fit {fuse} 100 A", f"keep {module} awake"]
    by_verb: dict[str, list[str]] = {}
    for text in listed:
        by_verb.setdefault(text.split(maxsplit=1)[0], []).append(text)
    kinds = [verb for verb, kind in EDIT_KINDS.items() if verb in by_verb and kind.sort != "theory"]
    chosen = [by_verb[verb][at] for verb in kinds for at in (0, len(by_verb[verb]) // 2, -1)]
    for pin in car.pins_of(module)[:1]:
        chosen += [f"interrupt {pin.id} {how}" for how in ("every 2 s for 500 ms", "when shaken", "when hot")]
    fast = (
        one.id for one in car.transceivers.values() if one.module in car.addresses and _is_fd(one.bus, car)
    )
    chosen += [f"set {one} to classical CAN" for one in list(fast)[-1:]]
    return list(dict.fromkeys(parse_edit(text, car).text for text in chosen))


def _is_fd(bus: str, car: Car) -> bool:
    spec = car.built.buses.get(bus)
    return spec is not None and spec.fd is not None


def start_of(car: Car) -> list[str]:
    """How a driver starts it."""
    if any(switch.operated_by == "key_run" for switch in car.built.switches.values()):
        return ["key run", "wait 3 s", "key crank"]
    return ["press start with brake"] if car.built.engine or car.built.high_voltage else ["press start"]


def _stop(bench: Bench) -> list[str]:
    """Ignition off. A button only goes there from on: pressed with the ignition off, it switches it on."""
    if any(switch.operated_by == "key_run" for switch in bench.car.built.switches.values()):
        return ["key off"]
    return ["press start"] if seat_of(bench).ignition != "off" else []


def seen(car: Car, *given: str) -> Seen:
    """Start, drive on the spot, scan, read, switch off, leave."""
    try:
        bench = Bench(car, given, fidelity="stream")
        bench.do_all(["wait 5 s", *start_of(car)])
        cranked = any(event.kind == "engine" and event.value == "cranking" for event in bench.trace.events)
        cranking_v = _lowest_v(bench) if cranked else None
        bench.do(f"wait {RUN_S} s")
        if seat_of(bench).engine in MOVES:
            bench.do_all([f"drive at {DRIVEN_KPH} km/h", "wait 5 s"])
        bench.do("scan")
        running_v = bench.live.reading.between("BAT+", "BAT-") or 0.0
        pack = (car.built.high_voltage.controller,) if car.built.high_voltage else ()
        asked = next((name for name in ("ECM", *pack, *car.addresses) if name in car.addresses), "")
        live = bench.do(f"read {asked}").told
        seat, report = seat_of(bench), bench.last_report
        if seat.speed_kph:
            bench.do("drive at 0 km/h")
        bench.do_all([*_stop(bench), f"wait {REST_S} s"])
        draw_a = abs(bench.live.reading.current("BAT"))
        rest_v = bench.live.reading.between("BAT+", "BAT-") or 0.0
    except (EditProblem, Unsettled) as problem:
        return Seen("", (), refused=str(problem))
    assert report is not None
    assert isinstance(live, LiveReading)
    shown = {row.title: row.shown for row in live.rows} or {"": live.refusal}
    silent = report.silent if report.power else ("the tester has no power",)
    codes = frozenset(f"{module} {code}" for module, code in report.codes)
    engine = "does not crank" if car.built.engine and not cranked else seat.engine_words
    return Seen(
        ", ".join((engine, *seat.sounds)),
        seat.lit if seat.cluster == "awake" else (DARK,),
        silent,
        codes,
        shown,
        cranking_v,
        running_v,
        rest_v,
        draw_a,
    )


def _lowest_v(bench: Bench) -> float:
    """What a meter's minimum has kept of the battery's posts since the start began."""
    found = read(bench, "measure minimum volts BAT+ to BAT-")
    assert isinstance(found, Measured)
    return found.value or 0.0


def row(fault: str, now: Seen, healthy: Seen) -> tuple[str, ...]:
    """What differs from the healthy car, cell by cell."""
    if now.refused:
        return (fault, now.refused, *[""] * (len(HEAD) - 2))
    lamps = [name if name == DARK else f"+{name}" for name in now.lit if name not in healthy.lit]
    lamps += [f"-{name}" for name in healthy.lit if name not in now.lit]
    live = [f"{name} {value}" for name, value in now.live.items() if _differs(value, healthy.live.get(name))]
    live.sort(key=lambda text: text.startswith("voltage at pin"))  # many pins follow the supply
    readings = []
    if (lowest_v := now.cranking_v) and healthy.cranking_v and abs(lowest_v - healthy.cranking_v) > 0.15:
        readings.append(f"{lowest_v:.1f} V at the battery at the lowest while starting")
    if abs(now.running_v - healthy.running_v) > 0.15:
        readings.append(f"{now.running_v:.1f} V at the battery")
    if abs(now.rest_v - healthy.rest_v) > 0.15:
        readings.append(f"{now.rest_v:.1f} V after {REST_S} s off")
    if abs(now.draw_a - healthy.draw_a) > 0.01:
        readings.append(f"{now.draw_a:.2f} A after {REST_S} s off")
    engine = now.engine if now.engine != healthy.engine else ""
    return (
        fault, engine, ", ".join(lamps), _some([one for one in now.silent if one not in healthy.silent]),
        _some(sorted(now.codes - healthy.codes)), _some(live), "; ".join(readings),
    )  # fmt: skip


def _differs(value: str, usual: str | None) -> bool:
    """Do two shown values differ by more than a meter's noise?"""
    if usual is None or value == usual:
        return usual is None
    one, other = value.split(), usual.split()
    try:
        return abs(float(one[0]) - float(other[0])) > 0.03 * max(1.0, abs(float(other[0])))
    except ValueError:
        return True


def _some(names: list[str]) -> str:
    more = len(names) - MOST
    return ", ".join(names[:MOST]) + (f" and {more} more" if more > 0 else "")


def rows_of(car: Car, faults: list[str]) -> Iterator[tuple[str, ...]]:
    """One row for each fault."""
    healthy = seen(car)
    for fault in faults:
        yield row(fault, seen(car, fault), healthy)


def table(name: str) -> Iterator[str]:
    """The table of one shipped car, line by line."""
    car = read_car(shipped_cars()[name])
    yield from (f"## {car.title}", "", f"| {' | '.join(HEAD)} |", f"|{' --- |' * len(HEAD)}")
    for cells in rows_of(car, examples(car)):
        yield f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"
    yield ""


if __name__ == "__main__":
    for name in sys.argv[1:] or shipped_cars():
        for line in table(name):
            print(line, flush=True)
