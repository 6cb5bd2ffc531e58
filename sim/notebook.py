"""Cars, benches, grids and cases at a prompt, in scripts and in notebooks.

    from sim.notebook import Car, Case, Grid

    car = Car("teaching-car")                       # or the path of a vehicle file
    bench = car.bench("unplug ABS")
    bench.do("key run", "wait 5 s", "scan")
    bench.report                                    # a table: module, answer, code, text, status
    print(bench.why("code ECM U0121"))
    bench.timeline()                                # a picture: bus load, module states, codes
    Grid(car, ["pull F3", "unplug ABS"], ["key run", "wait 5 s", "scan"]).symptoms
    Case("beehive-ground").stories

Tables are pandas frames where pandas is installed, otherwise lists of dicts. Pictures show themselves in a
notebook and can be saved. Whatever is wrong with a sentence or a file is a `Problem` in one sentence.

Runs are made in this process; `workers` starts others, and then a script keeps its own work under
`if __name__ == "__main__":`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from functools import cached_property
from io import StringIO
from pathlib import Path
from typing import Any

from sim.bench import bench as benches
from sim.bench.words import sentences_of
from sim.catalogue import car_file
from sim.instruments.car_commands import summary_of
from sim.instruments.diagram import drawing
from sim.instruments.module_diagram import face
from sim.instruments.read import shown
from sim.instruments.run_command import Step, why, worked
from sim.instruments.scope import Picture
from sim.instruments.service import ServiceInformation
from sim.lab.case_file import find_case
from sim.lab.command_options import faults_to_try
from sim.lab.grid import Choice, run_grid
from sim.lab.grid import Grid as GridRuns
from sim.lab.next_check import Advice, next_check
from sim.lab.search_plan import Question, SearchAnswer, search_on
from sim.lab.stories import CaseTable, try_stories
from sim.lab.workshop import Workshop
from sim.vehicle.problems import EditProblem

Table = Any  # a pandas frame, or a list of dicts


def table(rows: Iterable[dict[str, Any]]) -> Table:
    """The rows as a pandas frame, or as they are where pandas is not installed."""
    listed = list(rows)
    try:
        import pandas
    except ImportError:
        return listed
    return pandas.DataFrame(listed)


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture as SVG text, which a notebook shows."""

    name: str
    svg: str

    def save(self, path: str | Path) -> None:
        """Write it to a file, also over an existing one."""
        Path(path).write_text(self.svg, encoding="utf-8")

    def _repr_svg_(self) -> str:
        return self.svg

    def __repr__(self) -> str:
        return f"<Drawing '{self.name}': {len(self.svg)} characters of SVG>"


class Car:
    """A car as its vehicle file describes it: a shipped one by its name, or one by its path."""

    def __init__(self, name: str | Path) -> None:
        found = car_file(str(name))
        self.name, self.text, self.built = found.name, found.text, found.car

    @property
    def modules(self) -> Table:
        """A row for each module: name, title, address, what it sends, whom it monitors."""
        return table(map(asdict, summary_of(self.built).modules))

    @property
    def buses(self) -> Table:
        """A row for each bus: name, sort, bitrate_bps, line."""
        return table(map(asdict, summary_of(self.built).buses))

    def words(self, beginning: str = "") -> list[str]:
        """The sentences that this car understands, those with this beginning."""
        return [one.text for one in sentences_of(self.built) if one.text.startswith(beginning)]

    def diagram(self, name: str) -> Drawing:
        """The wiring diagram of a module, fuse, relay, load, switch or bus, or the face of a connector."""
        draw = face if name in self.built.connectors else drawing
        return Drawing(name, draw(ServiceInformation(self.built), name))

    def bench(self, *given: str, seed: int = 0) -> Bench:
        """This car in the bay, arriving with these edits."""
        return Bench(self, given, seed)

    def __repr__(self) -> str:
        return repr(self.built)

    def _repr_svg_(self) -> str:
        return self.diagram(next(iter(self.built.built.buses))).svg


class Bench:
    """One running car: `do` actions, then look at `steps`, `report`, `why` and `timeline`."""

    def __init__(self, car: Car, given: Iterable[str] = (), seed: int = 0) -> None:
        self.car = car
        self.live = benches.Bench(car.built, given, seed)
        self._steps: list[Step] = []

    def do(self, *actions: str) -> Bench:
        """Do actions in order; returns this bench. Raises `EditProblem` for one that makes no sense now."""
        for step in worked(self.live, actions):
            self._steps.append(step)
        return self

    def read(self, observation: str) -> str:
        """Measure or inspect something; returns what is read or seen."""
        self.do(observation)
        return self._steps[-1].display

    def picture(self, sweep: str) -> Drawing:
        """The screen of the scope, for an observation such as `scope DLC.6 to BAT- for 2 ms`."""
        from sim.instruments.screen import figure

        self.do(sweep)
        found = shown(self.live)
        if not isinstance(found, Picture):
            raise EditProblem(f"'{sweep}' gives no picture: it begins with 'scope'")
        return _drawn(sweep, figure(found))

    @property
    def steps(self) -> Table:
        """A row for each action: time_s, action, ignition, engine, lamps, said, display, notes."""
        kept = [name for name in Step.__slots__ if name not in ("report", "events")]
        return table({name: getattr(one, name) for name in kept} for one in self._steps)

    @property
    def report(self) -> Table:
        """The last scan, a row for each code and for each module without one; empty before the first scan."""
        last = self.live.last_report
        return table(last.rows() if last else ())

    def why(self, question: str) -> str:
        """The chain of causes, for such as `code ECM U0121`, `silent ABS`, `engine`, `lamp mil`."""
        return "\n".join(why(self.live, question).to_edits().lines())

    def timeline(self) -> Drawing:
        """Bus load, module states and codes over all that was done, which is done once more for it."""
        from sim.link.timeline import TimelineRecorder, picture

        again = benches.Bench(self.live.base, self.live.given, self.live.seed)
        with TimelineRecorder(again.live) as recorder:
            again.do_all(self.live.log)
        return _drawn("timeline", picture(recorder.stop()))

    def rewind(self, keep: int) -> Bench:
        """A bench after the first `keep` actions of this one."""
        if not 0 <= keep <= len(self.live.log):
            raise EditProblem(f"{len(self.live.log)} actions were done; it cannot be rewound to {keep}")
        return Bench(self.car, self.live.given, self.live.seed).do(*self.live.log[:keep])

    def with_given(self, *given: str) -> Bench:
        """The same actions on the same car with other edits: what would have happened."""
        return Bench(self.car, given, self.live.seed).do(*self.live.log)

    def __repr__(self) -> str:
        given = ", ".join(self.live.given) or "nothing wrong"
        done = f"{len(self.live.log)} actions, {self.live.now_s:.3f} s"
        return f"<Bench '{self.car.built.title}': {given}; {done}>"

    def _repr_html_(self) -> str | None:
        return html_of(self.report if self.live.last_report else self.steps)


class Grid:
    """Every combination of some edits (up to 10), the same actions in each; see `sim.lab.grid`."""

    def __init__(
        self,
        car: Car,
        edits: Sequence[str | Choice],
        actions: Sequence[str],
        *,
        given: Sequence[str] = (),
        seed: int = 0,
        workers: int = 1,
    ) -> None:
        with Workshop(workers=workers) as workshop:
            self.runs: GridRuns = run_grid(
                car.text, edits, actions, given=given, seed=seed, workshop=workshop
            )

    @property
    def table(self) -> Table:
        """A row for each combination: true or false for each edit, then all that could be seen."""
        runs = self.runs
        return table(
            {name: name in runs.there(number) for name in runs.names}
            | {column.title: runs.value(column, number) for column in runs.columns}
            for number in range(len(runs.accounts))
        )

    @property
    def symptoms(self) -> Table:
        """A row for each thing that the car without the edits does not show: symptom, value, causes."""
        return table(
            {"symptom": one.column.title, "value": one.value, "causes": str(one.causes)}
            for one in self.runs.symptoms
        )

    def __repr__(self) -> str:
        edits, rows = ", ".join(self.runs.names), len(self.runs.accounts)
        return f"<Grid of {edits}: {rows} runs of {len(self.runs.actions)} actions>"

    def _repr_html_(self) -> str | None:
        return html_of(self.symptoms)


class Case:
    """A case: a real car's story with rival explanations; a shipped one by its name, or one by its path."""

    def __init__(self, name: str | Path, *, workers: int = 1) -> None:
        self.told = find_case(str(name))
        self._workers = workers

    @cached_property
    def _tried(self) -> CaseTable:
        with Workshop(workers=self._workers) as workshop:
            return try_stories(self.told, workshop=workshop)

    @property
    def stories(self) -> Table:
        """A row for each story, the best first: story, edits, gives, first_miss."""
        return table(
            {
                "story": one.story,
                "edits": one.edits,
                "gives": one.gives,
                "first_miss": str(one.first_miss or ""),
            }
            for one in self._tried.verdicts
        )

    @property
    def outcome(self) -> str:
        """Which stories give all that was seen, in a sentence."""
        return self._tried.words

    def search(
        self, most: int = 1, *, theories: bool = False, kinds: Sequence[str] = (), minutes: float = 5.0
    ) -> SearchAnswer:
        """Every set of up to `most` faults, searched for so many minutes at most."""
        case = self.told
        question = Question(case.vehicle, case.given, case.seed, case.steps)
        edits = faults_to_try(case.vehicle, tuple(kinds))
        with Workshop(workers=self._workers) as workshop:
            return search_on(
                question, edits, most, theories=theories, limit_s=60 * minutes, workshop=workshop
            )

    def causes(self, most: int = 1, **search: Any) -> Table:
        """A row for each possible cause, the likeliest first: cause, share, alike; `search` as there."""
        found = self.search(most, **search).result
        return table(
            {"cause": one.title, "share": one.share, "alike": len(one.alike)} for one in found.causes
        )

    def next_check(self, most: int = 1, **search: Any) -> Table:
        """A row for each check that tells causes apart, best first: check, minutes, bits, may_show."""
        found = self.search(most, **search).result
        with Workshop(workers=self._workers) as workshop:
            advice: Advice = next_check(found, workshop=workshop)
        return table(
            {
                "check": one.check.title,
                "minutes": one.check.minutes,
                "bits": one.bits,
                "may_show": [each.shows for each in one.outcomes],
            }
            for one in advice.ranked
        )

    def __repr__(self) -> str:
        told = self.told
        return f"<Case '{told.case}': {len(told.steps)} steps, {len(told.stories)} stories>"

    def _repr_html_(self) -> str | None:
        return html_of(self.stories)


def _drawn(name: str, figure: Any) -> Drawing:
    text = StringIO()
    figure.savefig(text, format="svg", bbox_inches="tight")
    return Drawing(name, text.getvalue())


def html_of(found: Table) -> str | None:
    """The table for a notebook; None without pandas: the notebook then shows the short text."""
    return None if isinstance(found, list) else str(found.to_html())
