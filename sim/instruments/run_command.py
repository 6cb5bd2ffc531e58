"""Work on a car from the command line: edits, actions, readings, reports, and why.

bench = Bench(find_car("teaching-car"), ["unplug ABS"])
for step in worked(bench, ["key run", "scan"]):
    print_step(step)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from sim.bench.actions import FORMS
from sim.bench.bench import Bench
from sim.bench.explain import (
    Because,
    why_awake,
    why_battery,
    why_code,
    why_engine,
    why_mode,
    why_silent,
    why_start_stop,
    why_telltale,
)
from sim.bench.observations import is_observation
from sim.command_line import (
    FILE,
    CarWork,
    command,
    print_json,
    print_table,
    progress,
    work_options,
    write_told,
)
from sim.instruments.read import shown
from sim.instruments.result import Result
from sim.instruments.scope import Picture
from sim.instruments.seat import seat_of
from sim.modules.facts import engine_told
from sim.vehicle.problems import EditProblem
from sim.vehicle.words import counted

MOST_REASONS = 100  # lines of one answer: a screen or two


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened, and when."""

    time_s: float
    text: str


@dataclass(frozen=True, slots=True)
class ReportRow:
    """A code of a scan report, or a module without any (`code` is empty)."""

    module: str
    answer: str
    code: str
    text: str
    status: str


@dataclass(frozen=True, slots=True)
class Step:
    """What an action brought: the driver's seat after it, what was read, the report, the events.

    `said`: the outcome in a sentence, empty where there is none. `display`, `notes`: of an observation.
    """

    time_s: float
    action: str
    ignition: str
    engine: str
    lamps: tuple[str, ...]
    said: str
    display: str
    notes: tuple[str, ...]
    report: tuple[ReportRow, ...]
    events: tuple[EventRow, ...]


@dataclass(frozen=True, slots=True)
class Reasons:
    """A question and its answer: a tree of reasons as indented lines."""

    question: str
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Work:
    """Everything that a run tells."""

    car: str
    given: tuple[str, ...]
    seed: int
    steps: tuple[Step, ...]
    why: tuple[Reasons, ...]


@command(
    "run",
    examples=[
        'run teaching-car --given "unplug ABS" --do "key run" --do "wait 5 s" --do scan --why "silent ABS"',
        'run my-van.yaml --do "measure volts F3.2 to BAT-" --json',
    ],
    result=Work,
    more={"Actions": FORMS},
)
@work_options
@click.option(
    "--why",
    "asked",
    metavar="QUESTION",
    multiple=True,
    help="mode, engine, start-stop, battery, 'awake BUS', 'silent MODULE', 'code MODULE CODE', 'lamp NAME'; "
    "again for more.",
)
@click.option("--events", is_flag=True, help="Print every event of each action.")
@click.option("--trace", type=FILE, help="Write the whole trace as JSON lines.")
@click.option("--pictures", type=FILE, help="A folder for a PNG of every sweep of the scope.")
def run(
    work: CarWork,
    asked: tuple[str, ...],
    events: bool,
    trace: Path | None,
    pictures: Path | None,
    as_json: bool,
) -> None:
    """Work on a car: edits, actions, scans, and why.

    Edits and actions are sentences; 'busbay words CAR' prints those that a car understands.
    """
    bench = work.bench()
    steps = []
    for step in worked(bench, work.actions, pictures):
        steps.append(step)
        if not as_json:
            print_step(step, events)
    reasons = tuple(Reasons(one, tuple(why(bench, one).to_edits().lines())) for one in asked)
    if trace:
        write_told(trace, "".join(f"{line}\n" for line in bench.trace.lines()))
    if as_json:
        print_json(Work(bench.base.title, bench.given, bench.seed, tuple(steps), reasons))
        return
    if not (steps or asked or trace):
        print(f"Nothing was done. Say what with --do 'ACTION', as often as there are actions:\n\n{FORMS}")
    for one in reasons:
        print("\n".join(_bounded(one.because)))


def _bounded(lines: Sequence[str]) -> Sequence[str]:
    """The first `MOST_REASONS` lines, and how many are left out."""
    left_out = len(lines) - MOST_REASONS
    return lines if left_out <= 0 else [*lines[:MOST_REASONS], f"... and {counted(left_out, 'line')} more"]


def worked(bench: Bench, texts: Iterable[str], pictures: Path | None = None) -> Iterator[Step]:
    """Do actions, one after the other, with a bar for those that take their time."""
    for number, text in enumerate(texts, start=1):
        with progress(text) as tell:
            outcome = bench.do(text, lambda share: tell(round(100 * share), 100))
        seat = seat_of(bench)
        result = shown(bench) if is_observation(outcome.action) else None
        notes = _notes(result) if result else ()
        if pictures and isinstance(result, Picture):
            notes = (*notes, f"saved as {_saved(result, pictures / f'{number:02d}.png')}")
        rows = outcome.report.rows() if outcome.report else ()
        yield Step(
            bench.now_s, outcome.action, seat.ignition, seat.engine, seat.lit, outcome.words,
            result.display if result else "", notes, tuple(ReportRow(**row) for row in rows),
            tuple(EventRow(one.time_s, one.text) for one in outcome.events),
        )  # fmt: skip


def _notes(result: Result) -> tuple[str, ...]:
    return (*result.notes, *result.cautions, *(f"harm: {one}" for one in result.harm))


def _saved(picture: Picture, path: Path) -> Path:
    from sim.instruments.screen import figure  # the drawing library takes longer to load than a car to run

    path.parent.mkdir(parents=True, exist_ok=True)
    figure(picture).savefig(path, dpi=110)
    return path


def print_step(step: Step, events: bool = False) -> None:
    """Print what an action brought; of a report what is not as it should be."""
    lamps = f", lamps: {' '.join(step.lamps)}" if step.lamps else ""
    print(f"{step.time_s:9.3f} s  {step.action}  [{step.ignition}, {engine_told(step.engine)}{lamps}]")
    for event in step.events if events else ():
        print(f"    {event.time_s:9.4f}  {event.text}")
    for words in (step.said, step.display, *(f"  {note}" for note in step.notes)):
        if words:
            print(f"    {words}")
    told = [one for one in step.report if one.code or one.answer != "answers"]
    if told:
        print_table(
            (), [(one.module, one.code or one.answer, f"{one.text} {one.status}".strip()) for one in told], 4
        )


def why(bench: Bench, question: str) -> Because:
    """The answer to `mode`, `start-stop`, `awake body`, `silent ECM`, `code ECM U0101`, `lamp mil` ..."""
    match question.split():
        case ["mode"]:
            return why_mode(bench)
        case ["engine"]:
            return why_engine(bench)
        case ["start-stop"]:
            return why_start_stop(bench)
        case ["battery"]:
            return why_battery(bench)
        case ["awake", bus]:
            return why_awake(bench, bus)
        case ["silent", module]:
            return why_silent(bench, module)
        case ["code", module, code]:
            return why_code(bench, module, code)
        case ["lamp", name]:
            return why_telltale(bench, name)
    known = "mode, engine, start-stop, battery, awake BUS, silent MODULE, code MODULE CODE, lamp NAME"
    raise EditProblem(f"'{question}' is not a question; known: {known}")
