"""One beginning, many endings: what each of several lists of actions shows after the same run.

    for sights in endings(trial, [("scan",), ("unplug ABS.C1", "wait 5 s", "scan")]): ...

The beginning is run once at each depth that an ending needs; every further ending goes on from a snapshot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, replace
from functools import partial

from pydantic import TypeAdapter

from sim.bench.bench import Bench
from sim.bench.snapshot import StartedOnce
from sim.lab.run import ImpossibleCar, Trial, bench_of, content_key, fidelity_for, sight_of
from sim.lab.sight import Sight
from sim.vehicle.reading import car_from_text

Ending = tuple[str, ...]
SEEN = TypeAdapter(list[tuple[Sight, ...]])  # as text and back, for `Workshop.recalled`


def endings(trial: Trial, lists: Sequence[Ending]) -> Iterator[tuple[Sight, ...]]:
    """The sights of each list of actions, done after the whole run; none where there is no such car."""
    starts: dict[str, StartedOnce] = {}
    for ending in lists:
        depth = fidelity_for(replace(trial, actions=(*trial.actions, *ending)), car_from_text(trial.vehicle))
        at_depth = replace(trial, fidelity=depth)
        start = starts.setdefault(depth, StartedOnce(partial(_begun, at_depth)))
        try:
            bench = start.bench()
        except ImpossibleCar:
            yield ()
            continue
        yield tuple(sight_of(bench, action) for action in ending)


def _begun(trial: Trial) -> Bench:
    bench = bench_of(trial)
    for action in trial.actions:
        sight_of(bench, action)  # an action that is refused is part of the run
    return bench


def endings_text(item: tuple[Trial, tuple[Ending, ...]]) -> str:
    """The same as text for `Workshop.recalled`."""
    return SEEN.dump_json(list(endings(*item))).decode()


def endings_key(trial: Trial, lists: Sequence[Ending]) -> str:
    """A name for everything that it depends on."""
    return content_key("endings", astuple(trial), list(lists))
