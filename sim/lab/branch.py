"""Branch: what would have come of it, had something else been done at one moment of a log.

    other = branch(text, bench.log, 3, ["plug ECM"], given=bench.given)
    for row in other.rows:
        print(row.what, row.was, row.instead, "differs" if row.differs else "the same")

Both futures are run from the beginning, by the same log up to the moment. The one that is over sooner waits
for the other, and both end with a scan, so that what differs does so by what was done.

Not modeled: doing an action at another instant than between two of the log.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.lab.compare import readings_alike, turned_words
from sim.lab.report import Rows, Section, as_html
from sim.lab.run import Trial, bench_of, sight_of
from sim.lab.sight import Sight, ThingKind, value_words
from sim.lab.workshop import Progress, Stop, Stopped, never, quiet
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text

SAME_MOMENT_S = 0.01  # two futures that end nearer than this end together
ABSENT = {
    ThingKind.CODE: "no code",
    ThingKind.MODULE: "not asked",
    ThingKind.TESTER: "not done",
    ThingKind.OTHER: "not done",
}


@dataclass(frozen=True, slots=True)
class BranchRow:
    """One thing that could be seen in a future."""

    what: str
    was: str
    instead: str
    differs: bool
    kind: ThingKind


@dataclass(frozen=True, slots=True)
class Branch:
    """Two futures. `shared`: what was done up to the moment `at_s`; `log`: the log that leads to `instead`.

    `was`, `instead`: what could be seen after each action from there on, closing wait and scan included.
    """

    shared: tuple[str, ...]
    at_s: float
    was: tuple[Sight, ...]
    instead: tuple[Sight, ...]
    log: tuple[str, ...]

    @property
    def rows(self) -> tuple[BranchRow, ...]:
        """What can be seen, thing by thing."""
        one, other = dict(_seen(self.was)), dict(_seen(self.instead))
        return tuple(_row(key, one, other) for key in dict.fromkeys([*one, *other]))

    @property
    def differences(self) -> tuple[BranchRow, ...]:
        """The rows that differ."""
        return tuple(row for row in self.rows if row.differs)

    def as_html(self) -> str:
        """Both futures as one HTML page to print."""
        steps = tuple(f"{place}. {text}" for place, text in enumerate(self.shared, start=1))
        rows = tuple(
            (row.what, row.was, row.instead, "differs" if row.differs else "the same") for row in self.rows
        )
        done = tuple(tuple(one.action for one in sights) for sights in (self.was, self.instead))
        futures = (f"As it was done: {', '.join(done[0])}.", f"Done instead: {', '.join(done[1])}.")
        table = Rows(("what", "as it was done", "done instead", ""), rows)
        return as_html(
            "Done instead",
            [
                Section("What was done up to the moment", (*steps, f"The moment: {self.at_s:.1f} s.")),
                Section("Two futures", (*futures, self.words, table)),
            ],
        )

    @property
    def words(self) -> str:
        """What came of it in a sentence."""
        count = len(self.differences)
        if not count:
            return "Nothing that could be seen would have been different."
        first = "; ".join(f"{row.what}: {row.instead} instead of {row.was}" for row in self.differences[:3])
        return f"{count} thing{'s differ' if count > 1 else ' differs'}: {first}{' ...' if count > 3 else ''}"


def branch(
    vehicle: str,
    log: Sequence[str],
    keep: int,
    instead: Sequence[str],
    *,
    given: Sequence[str] = (),
    seed: int = 0,
    then_the_rest: bool = True,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Branch:
    """What came after the first `keep` actions of a log, and what would have come of `instead`.

    `instead` takes the place of the next action; the rest of the log follows where `then_the_rest`. Actions
    that can then no longer be done say so in their sight. Raises `EditProblem` for a sentence that is no
    action of this car, and `Stopped` when stopped.
    """
    if not 0 <= keep <= len(log):
        raise EditProblem(f"the log has {len(log)} actions; it has no moment after {keep}")
    car = car_from_text(vehicle)
    done = [parse_action(text, car).text for text in instead]
    other = (*done, *(log[keep + 1 :] if then_the_rest else ()))
    counted = _Counted(2 * keep + len(log[keep:]) + len(other), progress, stop)
    shared = tuple(log[:keep])
    futures: list[tuple[Bench, list[Sight]]] = []
    at_s = 0.0
    for rest in (tuple(log[keep:]), other):
        bench = bench_of(Trial(vehicle, tuple(given), (*shared, *rest), seed))
        for text in shared:
            counted.sight(bench, text)
        at_s = bench.now_s
        futures.append((bench, [counted.sight(bench, text) for text in rest]))
    end_s = max(bench.now_s for bench, _ in futures)
    for bench, sights in futures:
        left_s = end_s - bench.now_s
        if left_s > SAME_MOMENT_S:
            sights.append(sight_of(bench, f"wait {left_s:.2f} s"))
        if not sights or sights[-1].power is None:
            sights.append(sight_of(bench, "scan"))
    was, would = (tuple(sights) for _, sights in futures)
    could = (one.action for one in would[: len(other)] if not one.refused)
    return Branch(shared, at_s, was, would, (*shared, *could))


class _Counted:
    """Does actions, tells how far it is, and stops when asked to."""

    def __init__(self, of: int, progress: Progress, stop: Stop) -> None:
        self._done, self._of, self._progress, self._stop = 0, of, progress, stop
        progress(0, of)

    def sight(self, bench: Bench, text: str) -> Sight:
        if self._stop():
            raise Stopped
        sight = sight_of(bench, text)
        self._done += 1
        self._progress(self._done, self._of)
        return sight


_Key = tuple[ThingKind, str]  # kind, thing
_Value = str | float


def _seen(sights: Sequence[Sight]) -> Iterator[tuple[_Key, _Value]]:
    """What could be seen of a future: whether it cranked and fired, the seat in the end, what was asked."""
    seat, last = ThingKind.SEAT, sights[-1]
    yield (seat, "starter"), turned_words(any(one.cranked for one in sights))
    yield (seat, "engine fired"), "yes" if any(one.started for one in sights) else "no"
    for thing in last.seat_things():
        yield (
            (thing.kind, thing.what if thing.kind == ThingKind.LAMP else f"{thing.what} in the end"),
            thing.value,
        )
    answering = len(last.answering)
    yield (seat, "modules that answer"), f"{answering} of {answering + len(last.silent)}"
    for sight in (*(one for one in sights if one.power is None), last):
        yield from (((thing.kind, thing.what), thing.value) for thing in sight.found_things())


def _row(key: _Key, one: dict[_Key, _Value], other: dict[_Key, _Value]) -> BranchRow:
    kind, what = key
    absent = ABSENT.get(kind, "")
    was, instead = one.get(key, absent), other.get(key, absent)
    differs = not readings_alike(was, instead)
    return BranchRow(what, value_words(was), value_words(instead), differs, kind)
