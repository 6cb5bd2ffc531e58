"""The lab from the command line: cases, checks of the search, the technician's figures, pairs of faults."""

from __future__ import annotations

import random
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.arguments import car_argument
from sim.catalogue import shipped_cars, vehicle_text
from sim.lab.case_file import find_case
from sim.lab.compounds import exercise_draft, find_compounds
from sim.lab.drive import first_look
from sim.lab.fault_table import run_table
from sim.lab.report import DISCLAIMER
from sim.lab.run_cache import Cache
from sim.lab.search_plan import Question, search_on
from sim.lab.search_report import found_words, no_cause_words
from sim.lab.selfcheck import self_check
from sim.lab.stories import table_json, table_text, try_stories
from sim.lab.technician import compare, searched
from sim.lab.workshop import Progress, Workshop, on_cluster
from sim.vehicle.edits import catalogue, further_faults, further_kinds
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

THEORIES_HELP = "theories about the car's design, too, that could have to do with what was seen"


def case_arguments(parser: ArgumentParser) -> None:
    """Arguments of `case`."""
    parser.add_argument("case", help="a shipped case's name, or the path of a case file")
    printed = parser.add_mutually_exclusive_group()
    printed.add_argument("--html", type=Path, metavar="FILE", help="write a page to be printed")
    printed.add_argument("--json", action="store_true", help="print everything as JSON")
    _run_arguments(parser)


def case(chosen: Namespace) -> int:
    """Run the stories of a case and print which of them give everything that was seen."""
    with _workshop(chosen) as workshop:
        table = try_stories(find_case(chosen.case), workshop=workshop, progress=_told())
    if chosen.html:
        _write_over(chosen.html, table.as_html())
    else:
        print(table_json(table) if chosen.json else table_text(table))
    return 0


def causes_arguments(parser: ArgumentParser) -> None:
    """Arguments of `causes`."""
    parser.add_argument("case", help="a shipped case's name, or the path of a case file")
    parser.add_argument(
        "--most", type=int, choices=(1, 2), default=1, help="faults at once (default: %(default)s)"
    )
    parser.add_argument("--theories", action="store_true", help=THEORIES_HELP)
    parser.add_argument("--within", type=float, metavar="MIN", default=15.0, help="minutes (default: 15)")
    parser.add_argument("--listed", type=int, default=20, help="how many are printed (default: %(default)s)")
    _kinds(parser)
    _run_arguments(parser)


def causes(chosen: Namespace) -> int:
    """Print every fault that shows all that was seen in a case; status 1 where there is none."""
    told = find_case(chosen.case)
    question = Question(told.vehicle, told.given, told.seed, told.steps)
    with _workshop(chosen) as workshop:
        answer = search_on(
            question, _listed(told.vehicle, chosen.kind), chosen.most, theories=chosen.theories,
            limit_s=60 * chosen.within, workshop=workshop, progress=_told(),
        )  # fmt: skip
    found = answer.result
    print(found_words(found, answer.share_left))
    for one in found.causes[: chosen.listed]:
        alike = f"  (alike by the wiring: {len(one.alike)} more)" if one.alike else ""
        print(f"{one.share:6.1%}  {one.title}{alike}")
    if len(found.causes) > chosen.listed:
        print(f"and {len(found.causes) - chosen.listed} more, each less likely")
    if not found.causes:
        print(no_cause_words(found))
    print(f"\n{DISCLAIMER}")
    return 0 if found.causes else 1


def search_check_arguments(parser: ArgumentParser) -> None:
    """Arguments of `suspects-check`."""
    _common(parser)
    _kinds(parser)
    parser.add_argument("--edits", type=int, default=60, help="edits to choose from (default: %(default)s)")
    parser.add_argument("--pairs", type=int, default=60, help="pairs to run (default: %(default)s)")
    parser.add_argument("--times", type=int, default=1, help="how many hidden faults (default: %(default)s)")
    parser.add_argument("--theories", type=int, default=0, metavar="N", help="so many theories are added")


def search_check(chosen: Namespace) -> int:
    """Compare the search with runs of its own of pairs drawn by chance; status 1 where they differ."""
    vehicle, wrong = vehicle_text(chosen.car), 0
    listed = _listed(vehicle, chosen.kind)
    with _workshop(chosen) as workshop:
        for seed in range(chosen.seed, chosen.seed + chosen.times):
            result = self_check(
                vehicle,
                edits=chosen.edits,
                listed=listed,
                pairs=chosen.pairs,
                theories=chosen.theories,
                seed=seed,
                workshop=workshop,
                progress=_told(),
            )
            print(f"seed {seed}: {result.words}", flush=True)
            wrong += len(result.wrong) + (not result.found.holds(result.hidden))
    return 1 if wrong else 0


def technician_arguments(parser: ArgumentParser) -> None:
    """Arguments of `technician`."""
    _common(parser)
    _kinds(parser)
    parser.add_argument("--edits", type=int, default=24, help="edits to choose from (default: %(default)s)")
    parser.add_argument("--faults", type=int, default=200, help="hidden faults (default: %(default)s)")
    parser.add_argument(
        "--draws", type=int, default=2, help="so many times other edits are drawn (default: %(default)s)"
    )
    parser.add_argument(
        "--searched",
        type=int,
        default=10,
        help="hidden faults whose evidence the search for possible causes gets (default: %(default)s)",
    )


def technician(chosen: Namespace) -> int:
    """Minutes to isolation in three orders of checks, and the same evidence through the search.

    Status 1 where the search loses a hidden fault or keeps others than the table of runs.
    """
    vehicle = vehicle_text(chosen.car)
    listed = _listed(vehicle, chosen.kind)
    with _workshop(chosen) as workshop:
        tables = [
            run_table(
                vehicle, edits=chosen.edits, listed=listed, seed=seed, workshop=workshop, progress=_told()
            )
            for seed in range(chosen.seed, chosen.seed + max(1, chosen.draws))
        ]
        result = compare(tables, faults=chosen.faults, seed=chosen.seed)
        print(result.lines(), flush=True)
        through = searched(
            result.hunts["next best"][: chosen.searched], workshop=workshop, progress=_told("hunts")
        )
    print(through.lines())
    return 1 if through.lost or through.other else 0


def compounds_arguments(parser: ArgumentParser) -> None:
    """Arguments of `compounds`."""
    _common(parser)
    parser.add_argument("--edit", action="append", default=[], help="an edit to look among; several times")
    parser.add_argument("--edits", type=int, default=12, help="else so many by chance (default: %(default)s)")
    parser.add_argument("--most", type=int, default=10, help="how many are printed (default: %(default)s)")
    parser.add_argument("--drafts", type=Path, help="a folder for an exercise file of each that is printed")


def compounds(chosen: Namespace) -> int:
    """Pairs of faults that hide each other, show something new, or look like another one to the scan."""
    if chosen.drafts and chosen.car not in shipped_cars():
        raise Problem("--drafts needs a shipped car: an exercise names its car, and a class has that one")
    vehicle = vehicle_text(chosen.car)
    car = car_from_text(vehicle)
    listed = catalogue(car)
    some = chosen.edit or random.Random(chosen.seed).sample(listed, min(chosen.edits, len(listed)))
    with _workshop(chosen) as workshop:
        found = find_compounds(vehicle, some, workshop=workshop, progress=_told())
    print(f"{len(found)} of {len(some) * (len(some) - 1) // 2} pairs are special")
    for place, one in enumerate(found[: chosen.most], start=1):
        print(f"{one.difficulty:.2f}  {' + '.join(one.edits)}: {', '.join(one.kinds)}")
        for word, things in (("hidden", one.masked), ("new", one.new), ("looks like", one.alike)):
            if things:
                print(f"        {word}: {', '.join(things[:6])}{' ...' if len(things) > 6 else ''}")
        if chosen.drafts:
            _write(
                chosen.drafts / f"{chosen.car}-two-{place:02d}.yaml",
                exercise_draft(one, chosen.car, first_look(car)),
            )
    return 0


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:  # never overwrite a file
            file.write(text)
    except OSError as error:
        raise Problem(f"{path} cannot be written: {error.strerror}") from None
    print(f"        {path}")


def _write_over(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise Problem(f"{path} cannot be written: {error.strerror}") from None


def _kinds(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--kind",
        action="append",
        default=[],
        choices=further_kinds(),
        help="faults of this kind, too, besides what can be off, out or open; several times",
    )


def _listed(vehicle: str, kinds: list[str]) -> tuple[str, ...]:
    car = car_from_text(vehicle)
    return (*catalogue(car), *further_faults(car, kinds))


def _common(parser: ArgumentParser) -> None:
    car_argument(parser)
    parser.add_argument("--seed", type=int, default=0, help="seed of what is drawn (default: %(default)s)")
    _run_arguments(parser)


def _run_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--workers", type=int, help="processes (default: one per core)")
    parser.add_argument("--cache", type=Path, help="a folder in which finished runs are kept, to go on from")
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="run on a Dask cluster, e.g. tcp://10.0.0.5:8786"
    )


@contextmanager
def _workshop(chosen: Namespace) -> Iterator[Workshop]:
    cache = Cache(chosen.cache) if chosen.cache else None
    if chosen.cluster:
        with on_cluster(chosen.cluster, cache=cache) as workshop:
            yield workshop
        return
    with Workshop(workers=chosen.workers, cache=cache) as workshop:
        yield workshop


def _told(pieces: str = "runs") -> Progress:
    """Progress on one line of the terminal, where there is one."""

    def tell(done: int, of: int) -> None:
        if sys.stderr.isatty() or done == of:
            print(f"\r{done} of {of} {pieces}", end="\n" if done == of else "", file=sys.stderr, flush=True)

    return tell
