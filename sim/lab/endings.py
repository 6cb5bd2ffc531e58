"""One beginning, many endings: what each of several lists of actions shows after the same run.

    for sights in endings(trial, [("scan",), ("unplug ABS.C1", "wait 5 s", "scan")]): ...

The beginning is run once, and each ending goes on from a snapshot. What a meter or scope shows on a data line
takes frames, so such an ending is run frame by frame unless it is a meter and no module is awake.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, replace
from functools import partial

from pydantic import TypeAdapter

from sim.bench.bench import Bench
from sim.bench.snapshot import StartedOnce
from sim.lab.run import ImpossibleCar, Trial, bench_of, content_key, is_on_a_bus, sight_of
from sim.lab.sight import Sight

Ending = tuple[str, ...]
SEEN = TypeAdapter(list[tuple[Sight, ...]])  # as text and back, for `Workshop.recalled`


def endings(trial: Trial, lists: Sequence[Ending]) -> Iterator[tuple[Sight, ...]]:
    """The sights of each list of actions, done after the whole run; none where there is no such car."""
    streams = StartedOnce(partial(_begun, trial))
    frames = StartedOnce(partial(_begun, replace(trial, fidelity="frame")))
    for ending in lists:
        try:
            found = _followed(streams, ending)
            yield _followed(frames, ending) or () if found is None else found
        except ImpossibleCar:
            yield ()


def _followed(start: StartedOnce, ending: Ending) -> tuple[Sight, ...] | None:
    """The sights of one ending; None where it takes frames that this bench does not have."""
    bench, found = start.bench(), []
    for action in ending:
        if bench.fidelity != "frame" and _takes_frames(action, bench):
            return None
        found.append(sight_of(bench, action))
    return tuple(found)


def _takes_frames(action: str, bench: Bench) -> bool:
    asleep = not bench.live.switch_state().running
    return is_on_a_bus(action, bench.car) and not (asleep and action.startswith("measure "))


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
