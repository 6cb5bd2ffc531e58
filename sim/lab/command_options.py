"""What the commands of the lab take in the same words: where the runs are made, and kinds of faults."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from sim.command_line import FILE, as_one, shipped
from sim.lab.run_cache import Cache
from sim.lab.workshop import Workshop, on_cluster
from sim.vehicle.edits import catalogue, further_faults, further_kinds
from sim.vehicle.reading import car_from_text


@dataclass(frozen=True, slots=True)
class Runs:
    """Where runs are made: so many processes, a folder of finished runs, or a cluster."""

    workers: int | None
    cache: Path | None
    cluster: str | None

    @contextmanager
    def workshop(self) -> Iterator[Workshop]:
        """Return the workshop; its processes end with it."""
        cache = Cache(self.cache) if self.cache else None
        if self.cluster:
            with on_cluster(self.cluster, cache=cache) as workshop:
                yield workshop
            return
        with Workshop(workers=self.workers, cache=cache) as workshop:
            yield workshop


runs_options = as_one(
    "runs",
    Runs,
    click.option("--workers", type=click.IntRange(1), help="Processes (default: one per core)."),
    click.option("--cache", type=FILE, help="A folder in which finished runs are kept, to go on from."),
    click.option("--cluster", metavar="ADDRESS", help="Run on a Dask cluster, e.g. tcp://10.0.0.5:8786."),
)
html_option = click.option("--html", type=FILE, help="Write a page to be printed.")
case_argument = click.argument(
    "case", help="A shipped case's name, or the path of a case file.", shell_complete=shipped("cases")
)
kind_option = click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(list(further_kinds())),
    help="Faults of this kind, too, in addition to what can be unplugged, missing or open; again for more.",
)


class Minutes(click.FloatRange):
    """A time above zero, of a day at most."""

    def __init__(self) -> None:
        super().__init__(0, 24 * 60, min_open=True)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the minutes; what is no number is refused, too: it is in no order with a limit."""
        minutes = float(super().convert(value, param, ctx))
        if math.isnan(minutes):
            self.fail(f"'{value}' is no number of minutes", param, ctx)
        return minutes


@dataclass(frozen=True, slots=True)
class Search:
    """What is searched for the causes of a case, and for how many minutes at most."""

    most: int
    theories: bool
    within: float
    kinds: tuple[str, ...]


search_options = as_one(
    "search",
    Search,
    click.option("--most", type=click.IntRange(1, 3), default=1, show_default=True, help="Faults at once."),
    click.option("--theories", is_flag=True, help="Theories about the car's design, too."),
    click.option("--within", type=Minutes(), default=15.0, show_default=True, help="Minutes for the search."),
    kind_option,
)


def faults_to_try(vehicle: str, kinds: tuple[str, ...]) -> tuple[str, ...]:
    """The faults of a car that are always searched, and those of these kinds."""
    car = car_from_text(vehicle)
    return (*catalogue(car), *further_faults(car, kinds))
