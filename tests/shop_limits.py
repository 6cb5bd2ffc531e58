"""What a shop measures first on every shipped car, against common shop limits.

    python -m tests.shop_limits          # prints the table

All limits are common practice (trade handbooks agree within a tenth of a volt); none is a maker's. Voltages
of the battery are for each 12 V battery in series.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sim.bench.bench import Bench
from sim.catalogue import shipped_cars
from sim.instruments.seat import seat_of
from sim.modules.facts import MOVES
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring

LONGEST_WAIT_S = 1800


@dataclass(frozen=True)
class Row:
    """One reading of one car with its limits, both in `unit`."""

    car: str
    what: str
    value: float
    low: float
    high: float
    unit: str
    note: str

    @property
    def is_within(self) -> bool:
        return self.low <= self.value <= self.high


def rows_of(name: str) -> Iterator[Row]:
    """All rows of one car."""
    car = read_car(shipped_cars()[name])
    bench = Bench(car, fidelity="stream")
    bench.do_all(_ignition_on(car))
    if _lamps(bench):
        yield from _lamp_check(name, bench)
    yield from _engine_rows(name, car, bench)
    yield from _parked_rows(name, car, bench)


def _ignition_on(car: Car) -> list[str]:
    if _keyed(car):
        return ["wait 12 s", "key run", "wait 1 s"]
    modes = car.built.power_modes
    with_accessory = modes is not None and any(rule.to == "accessory" for rule in modes.rules)
    return ["wait 12 s", "press start", *(["wait 1 s", "press start"] if with_accessory else []), "wait 1 s"]


def _keyed(car: Car) -> bool:
    return any(switch.operated_by == "key_run" for switch in car.built.switches.values())


def _lamps(bench: Bench) -> set[str]:
    modules = bench.live.modules.values()
    return {name for one in modules for name, lamp in one.spec.telltales.items() if lamp.is_checked}


def _lamp_check(name: str, bench: Bench) -> Iterator[Row]:
    wanted = _lamps(bench)
    dark = len(wanted - set(seat_of(bench).lit))
    yield Row(name, "warning lamps dark at ignition on", dark, 0, 0, "", f"of {len(wanted)}; lamp check")
    bench.do("wait 5 s")
    lit, least = len(seat_of(bench).lit), 1 if bench.car.built.high_voltage else 2
    yield Row(name, "lamps lit, engine not running", lit, least, 3, "", "engine, charging, brake")


def _engine_rows(name: str, car: Car, bench: Bench) -> Iterator[Row]:
    if car.built.engine is not None:
        yield from _cranking_rows(name, car)
    elif car.built.high_voltage is None:
        return
    n = car.built.battery.in_series
    start = ["key crank"] if _keyed(car) else ["press start with brake"]
    if car.built.high_voltage:
        start = ["brake on", "wait 2 s", "brake off"]  # the ignition is on from the lamp check
    bench.do_all([*start, "wait 15 min"])
    assert seat_of(bench).engine in MOVES
    volt = bench.live.reading.between("BAT+", "BAT-") or 0.0
    yield Row(name, "charging, 15 min after the start", volt, 13.5 * n, 14.7 * n, "V", "at the posts")
    yield Row(
        name, "lamps lit, engine running", len(seat_of(bench).lit), 0, 1, "", "park brake at most, ready"
    )


def _cranking_rows(name: str, car: Car) -> Iterator[Row]:
    n = car.built.battery.in_series
    start = next(relay for relay, spec in car.built.relays.items() if "starter" in spec.feeds)
    cranking = Wiring(car).solve(
        SwitchState(running=frozenset(car.built.modules), pulled_in=frozenset({start}))
    )
    for what, a, b, low, high in (
        ("cranking, battery posts", "BAT+", "BAT-", 9.6 * n, 12.0 * n),
        ("cranking, drop positive side", "BAT+", "starter.1", 0.05, 0.5),
        ("cranking, drop ground side", "starter.2", "BAT-", 0.05, 0.3),
    ):
        yield Row(name, what, cranking.between(a, b) or 0.0, low, high, "V", "starter drop test")


def _parked_rows(name: str, car: Car, bench: Bench) -> Iterator[Row]:
    bench.do("key off" if _keyed(car) else "press start")
    off_s = bench.now_s
    while any(one.state != "asleep" for one in bench.live.modules.values()):
        assert bench.now_s - off_s < LONGEST_WAIT_S, f"{name} does not sleep"
        bench.do("wait 1 s")
    slept_s = bench.now_s - off_s
    yield Row(name, "asleep after ignition off", slept_s, 2, LONGEST_WAIT_S, "s", "seconds to half an hour")
    bench.do("wait 1 h")
    sleeping = bench.live.reading
    yield Row(name, "sleep current", sleeping.current("BAT"), 0.001, 0.05, "A", "50 mA asleep")
    rest_v, n = sleeping.between("BAT+", "BAT-") or 0.0, car.built.battery.in_series
    yield Row(name, "rest voltage", rest_v, 12.4 * n, 12.8 * n, "V", "75 to 100 %")


def table() -> str:
    """Every row of every shipped car, aligned."""
    lines = [f"{'car':16} {'what':36} {'value':>9} {'limits':>16}  note"]
    for name in shipped_cars():
        for row in rows_of(name):
            limits = f"{row.low:g} to {row.high:g}"
            value = f"{row.value:.3g} {row.unit}".strip()
            mark = "" if row.is_within else "  OUT OF LIMITS"
            lines.append(f"{row.car:16} {row.what:36} {value:>9} {limits:>16}  {row.note}{mark}")
    return "\n".join(lines)


if __name__ == "__main__":
    print(table())
