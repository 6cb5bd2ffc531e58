"""What a technician does after a reading: where to measure or inspect next, from it and the diagram alone.

A dead supply is followed toward the battery, fuse by fuse; a supply that looks right is loaded; a ground that
has lost too much is inspected (common practice: voltage drop under load, half-splitting). Nothing of the real
car is asked, so nothing is given away.

Not modeled: bus lines, sensors and switched outputs; what several readings together say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sim.bench.observations import ObservationKind, parse_observation
from sim.instruments.expected import ExpectedReading
from sim.instruments.lamp import FEED_DROP_V, GROUND_DROP_V, Loaded
from sim.instruments.meter import Measured
from sim.instruments.paths import PathPart
from sim.instruments.result import Result
from sim.instruments.service import ServiceInformation
from sim.vehicle.codes import is_role
from sim.vehicle.problems import EditProblem

DEAD_V = 1.0  # a supply of less than this is dead, not weak; common practice
BLOWN_OHM = 1.0  # a fuse that is whole has some thousandths of an ohm; common practice
LAMP_W = 21.0  # of the usual loaded test
SIDES = {"1": "feed", "2": "load"}  # of a fuse, by its terminal
SUPPLY_V = 11.0  # the least that tables expect at a supply


@dataclass(frozen=True, slots=True)
class FollowUp:
    """A check that follows from a reading: what it is in a few words, and the sentence that does it."""

    words: str
    action: str


def follow_ups(papers: ServiceInformation, result: Result) -> tuple[FollowUp, ...]:
    """The checks that a reading suggests, the next one first; none where it is a matter of thought."""
    if isinstance(result, Loaded):
        return tuple(_after_a_load(papers, result))
    if isinstance(result, Measured) and not result.doubtful:
        return tuple(_after_the_meter(papers, result))
    return ()


def _after_the_meter(papers: ServiceInformation, read: Measured) -> Iterator[FollowUp]:
    red, black = parse_observation(read.action, papers.car).points[:2] if " to " in read.action else ("", "")
    fuse = _fuse_between(papers, red, black)
    if read.kind in (ObservationKind.OHMS, ObservationKind.CONTINUITY):
        if fuse and (read.value is None or read.value > BLOWN_OHM):
            yield _inspect(fuse)
        return
    if read.kind != ObservationKind.VOLTS:
        return
    volt = 0.0 if read.value is None else read.value
    if fuse:
        if read.value is None or abs(volt) > _expected(papers, fuse)[0].high:
            yield _inspect(fuse)
    elif _is_ground(papers, red):
        yield from _after_a_ground(papers, red, volt) if black == "BAT-" else ()
    elif _is_ground(papers, black):
        yield from _after_a_supply(papers, red, black, volt)


def _after_a_supply(papers: ServiceInformation, red: str, black: str, volt: float) -> Iterator[FollowUp]:
    """Volts between a supply and ground: dead, it is followed toward the battery; right, it is loaded."""
    owner, _, side = red.rpartition(".")
    if owner in papers.vehicle.fuses:
        if side == "2" and volt < DEAD_V:
            yield _at_fuse(owner, "1", black)
            yield _inspect(owner)
        elif side == "1" and volt < DEAD_V:
            yield from _upstream(papers, red, black)
        elif side == "1":
            yield _at_fuse(owner, "2", black)
        return
    if not _is_supply_pin(papers, red):
        return
    if volt < DEAD_V:
        yield from _upstream(papers, red, black)
    elif volt >= SUPPLY_V and not _is_airbag_pin(papers, red):
        words = f"Load-test the supply at {red}"
        yield FollowUp(words, f"load {red} to {black} with {LAMP_W:g} W lamp")


def _after_a_ground(papers: ServiceInformation, red: str, volt: float) -> Iterator[FollowUp]:
    """Volts between a ground pin and the battery's minus post."""
    expected = _expected(papers, red)
    if expected and expected[0].unit == "V" and expected[0].high < DEAD_V and volt > expected[0].high:
        yield from map(_inspect, _grounds(papers.return_path(red)))


def _after_a_load(papers: ServiceInformation, read: Loaded) -> Iterator[FollowUp]:
    """A lamp that stays dark or dim: the side that loses the voltage is followed."""
    red, black = parse_observation(read.action, papers.car).points[:2]
    owner, _, side = red.rpartition(".")
    if read.feed_drop_v is None or abs(read.feed_drop_v) > FEED_DROP_V:
        if owner in papers.vehicle.fuses and side == "2":
            yield _load_at_fuse(owner, "1", black)
            yield _inspect(owner)
        else:
            yield from _upstream(papers, red, black, _load_at_fuse)
    if read.ground_drop_v is None or abs(read.ground_drop_v) > GROUND_DROP_V:
        ground = black if black in papers.vehicle.grounds else ""
        yield from map(_inspect, [ground] if ground else _grounds(papers.return_path(black)))


def _at_fuse(fuse: str, end: str, black: str) -> FollowUp:
    return FollowUp(f"Measure {fuse}, {SIDES[end]} side", f"measure volts {fuse}.{end} to {black}")


def _load_at_fuse(fuse: str, end: str, black: str) -> FollowUp:
    words = f"Load-test {fuse}, {SIDES[end]} side"
    return FollowUp(words, f"load {fuse}.{end} to {black} with {LAMP_W:g} W lamp")


def _upstream(
    papers: ServiceInformation,
    node: str,
    black: str,
    check: Callable[[str, str, str], FollowUp] = _at_fuse,
) -> Iterator[FollowUp]:
    """The nearest fuse on the way to the battery, its load side; else the battery itself."""
    fuses = [part.name for part in papers.supply_path(node) if part.kind == "fuse"]
    if fuses:
        yield check(fuses[-1], "2", black)
    elif papers.supply_path(node):
        yield FollowUp("Measure the battery", "measure volts BAT+ to BAT-")


def _inspect(part: str) -> FollowUp:
    return FollowUp(f"Inspect {part}", f"look {part}")


def _grounds(path: tuple[PathPart, ...]) -> list[str]:
    return [part.name for part in path if part.kind == "ground"]


def _fuse_between(papers: ServiceInformation, red: str, black: str) -> str:
    owner = red.rpartition(".")[0]
    is_one = owner in papers.vehicle.fuses and {red, black} == {f"{owner}.1", f"{owner}.2"}
    return owner if is_one else ""


def _is_ground(papers: ServiceInformation, node: str) -> bool:
    if node in ("BODY", "BAT-") or node in papers.vehicle.grounds:
        return True
    return node in papers.car.pins and bool(papers.return_path(node))


def _is_supply_pin(papers: ServiceInformation, node: str) -> bool:
    return any(one.unit == "V" and one.low >= SUPPLY_V for one in _expected(papers, node)) and bool(
        papers.supply_path(node)
    )


def _is_airbag_pin(papers: ServiceInformation, node: str) -> bool:
    """A pin of the airbag module, which is never loaded: its circuits are left to the maker's procedure."""
    owner = papers.car.connectors[papers.car.pins[node].connector].owner
    module = papers.vehicle.modules.get(owner)
    return module is not None and is_role(module.role or owner, "AIRBAG")


def _expected(papers: ServiceInformation, at: str) -> tuple[ExpectedReading, ...]:
    try:
        return papers.expected(at)
    except EditProblem:
        return ()
