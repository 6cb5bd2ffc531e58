"""A case: a real car's story as steps (done, seen), and rival stories of what was wrong, put to the test.

A case is a YAML file::

    case: Dead dash after the flood
    about: invented; who, what, when
    car: shuttle-minibus
    steps:
      - {do: [press start with brake, wait 5 s], seen: {engine: stopped, cranks: false, lit: [mil]}}
      - do: scan
        seen: {silent: [GW, IPC], answers: [ECM], codes: [ECM U0140, ABS U0155 stored], no_codes: [TCM]}
      - {do: measure volts F20.1 to BAT-, seen: {reads: 12.5, within: 0.3}}
    stories:
      fuse: {says: the customer's helper took a fuse for his radio, edits: [pull F20]}
      plug: {says: the body module was left unplugged, edits: [unplug BCM.C1]}
    experiments: [look F20, [unplug BCM.C1, measure volts BCM.C1.1 to BAT-]]

`car` is the name of a car that comes with busbay, the path of a vehicle file (from the case file's folder),
or the car itself: the lines of its vehicle file, indented below `car:` or, comments and all, below `car: |`.
Then car and case travel in one file.

What is not in `seen` was not looked at; that is not the same as absent. Every story's edits (faults, repairs,
theories about how the car was built) are given to the car, and the same steps are run.

Not modelled: what a person saw wrong or remembers wrong.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from math import isclose
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator
from ruamel.yaml import YAML
from ruamel.yaml.scalarstring import LiteralScalarString

from sim.bench.actions import parse_action
from sim.catalogue import car_file, is_path, shipped_cars, vehicle_text
from sim.lab.report import Rows, Section, as_html, as_markdown
from sim.lab.run import FLOATING, Account, Sight, Trial, sentences
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.description import Part
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem, FileProblem, Problem, did_you_mean
from sim.vehicle.reading import car_from_text, line_of, parse

READABLE = 0.02  # two readings closer than this share of the larger are taken as one; common practice
READABLE_LEAST = 0.02  # V, ohm, A


def _listed(value: object) -> object:
    return (value,) if isinstance(value, str) else value


Lines = Annotated[tuple[str, ...], BeforeValidator(_listed)]


def _as_vehicle_text(value: object) -> object:
    """The car of a case as text, where the case says it in `key: value` lines of its own."""
    if not isinstance(value, dict):
        return value
    text = StringIO()
    YAML().dump(value, text)
    return text.getvalue()


class Seen(Part):
    """What was seen when a step was over. A field that is left out was not looked at.

    `cranks`, `starts`: the starter turned, the engine fired, during the step. `lit`, `dark`: telltales. After
    a scan: `tester_power`; `answers`, `silent`: modules; `codes`, `no_codes`: "ECM U0101", "ECM U0101-87
    stored", and for `no_codes` also a whole module; `no_other_codes`: `codes` is all that the scan showed.
    After clearing or unlocking: `done`, `denied`, `no_answer`. After a measurement: `reads` in V, ohm or A,
    `within` so much, or "floating"; after any observation `shows`: words that stand in what was seen.
    `cannot`: the last action could not be done.
    """

    engine: Literal["stopped", "cranking", "running"] | None = None
    cranks: bool | None = None
    starts: bool | None = None
    ignition: Literal["off", "accessory", "run", "crank", "dark"] | None = None
    cluster: Literal["awake", "dark"] | None = None
    lit: Lines = ()
    dark: Lines = ()
    tester_power: bool | None = None
    answers: Lines = ()
    silent: Lines = ()
    codes: Lines = ()
    no_codes: Lines = ()
    no_other_codes: bool = False
    done: Lines = ()
    denied: Lines = ()
    no_answer: Lines = ()
    reads: float | Literal["floating"] | None = None
    within: float | None = Field(None, ge=0)
    shows: str | None = Field(None, min_length=1)
    cannot: bool | None = None

    @model_validator(mode="after")
    def _reading_has_a_tolerance(self) -> Seen:
        if isinstance(self.reads, float) and self.within is None:
            raise ValueError("'reads' needs 'within': how far the reading may be off, in the same unit")
        if self.within is not None and not isinstance(self.reads, float):
            raise ValueError("'within' belongs to 'reads' with a number")
        return self


class Step(Part):
    """Something done, and what was seen then."""

    do: Lines = Field(min_length=1)
    seen: Seen = Seen()


class Story(Part):
    """One explanation: its edits of the car, and in words what it says. No edits: the car is as described."""

    says: str = Field("", max_length=600)
    edits: Lines = ()


class Case(Part):
    """A whole case file."""

    case: str = Field(min_length=1, max_length=120)
    about: str = Field("", max_length=2000)
    car: Annotated[str, BeforeValidator(_as_vehicle_text)]
    seed: int = Field(0, ge=0, le=2**31)
    given: Lines = ()
    steps: tuple[Step, ...] = Field(min_length=1)
    stories: dict[str, Story] = Field(min_length=1)
    experiments: tuple[Lines, ...] = ()

    @property
    def holds_its_car(self) -> bool:
        """Is the car itself in the case, rather than the name of a shipped one?"""
        return "\n" in self.car

    @property
    def vehicle(self) -> str:
        """The text of the car's vehicle file."""
        return self.car if self.holds_its_car else vehicle_text(self.car)

    @property
    def whole_car(self) -> Car:
        """The car as its file describes it."""
        return car_from_text(self.vehicle)

    @property
    def car_name(self) -> str:
        """A file name for the car."""
        stem = re.sub(r"[^a-z0-9]+", "-", self.whole_car.title.lower()) if self.holds_its_car else self.car
        return f"{stem.strip('-') or 'car'}.yaml"

    @property
    def actions(self) -> tuple[str, ...]:
        """All actions of all steps."""
        return tuple(action for step in self.steps for action in step.do)


def read_case(path: Path) -> Case:
    """The case in a file; raises `FileProblem` with file, line and reason."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblem(f"cannot be read: {error}", path.name, 1) from None
    return case_from_text(text, path.name, path.parent)


def case_from_text(text: str, name: str = "case file", folder: Path | None = None) -> Case:
    """The case that a text describes; its car, edits and names are checked.

    `folder`: where the path of a car begins. Without it no file is read: a case from elsewhere names a
    shipped car or holds its own.
    """
    case, document = parse(text, name, Case)
    try:
        case = _with_its_car(case, document, name, folder)
        _check(case)
    except FileProblem:
        raise
    except Problem as problem:
        raise FileProblem(problem.what, name, line_of(document, problem.path), problem.path) from None
    return case


def case_text(case: Case) -> str:
    """The case as the text of a case file; a car that it holds comes last, as its file had it."""
    return as_case_file(case.model_dump(mode="json", exclude_defaults=True))


def as_case_file(data: Mapping[str, Any]) -> str:
    """The text of a case file that says this, checked or not."""
    data = dict(data)
    if "\n" in data["car"]:
        data["car"] = LiteralScalarString(data.pop("car"))
    text = StringIO()
    yaml = YAML()
    yaml.default_flow_style = False
    yaml.dump(data, text)
    return text.getvalue()


def _with_its_car(case: Case, document: Any, name: str, folder: Path | None) -> Case:
    if case.holds_its_car:
        _check_own_car(case, document, name)
        return case
    if case.car in shipped_cars():
        return case
    if is_path(case.car):
        if folder is None:
            what = f"the file '{case.car}' cannot be read from here"
            raise Problem(f"{what}: put its lines below 'car: |' in this one", ("car",))
        found = car_file(case.car, folder)
        _ = found.car
        return case.model_copy(update={"car": found.text.rstrip("\n") + "\n"})
    raise Problem(f"no car '{case.car}'{did_you_mean(case.car, shipped_cars())}", ("car",))


def _check_own_car(case: Case, document: Any, name: str) -> None:
    try:
        car_from_text(case.car, name)
    except FileProblem as problem:
        at = line_of(document, ("car", *problem.path))
        if isinstance(document["car"], str):  # the text begins on the line after its key
            at += problem.line
        raise FileProblem(problem.what, name, at, ("car", *problem.path)) from None


# -- comparing ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Miss:
    """Where a story goes wrong: the step (from 1), what was looked at, what was seen, what the story says.

    `by`: how far a reading is off, beyond the tolerance, in its unit.
    """

    step: int
    what: str
    seen: str
    says: str
    by: float | None = None

    def __str__(self) -> str:
        off = f", off by {self.by:.3g} more than allowed" if self.by is not None else ""
        return f"step {self.step}, {self.what}: seen {self.seen}, this story says {self.says}{off}"


def misses(step: Step, sights: Sequence[Sight], number: int = 1) -> tuple[Miss, ...]:
    """Everything in which the sights of a step's actions differ from what was seen."""
    return tuple(
        Miss(number, what, seen, says, by)
        for what, seen, says, by in compared(step.seen, sights)
        if seen != says or by is not None
    )


_Compared = Iterator[tuple[str, str, str, float | None]]


def compared(seen: Seen, sights: Sequence[Sight]) -> _Compared:
    """Everything that was looked at: what it was, what was seen, what these sights say, how far it is off."""
    last = sights[-1]
    if seen.cannot is not None:
        yield last.action, _can(not seen.cannot), _can(not last.refused), None
    elif last.refused:
        yield last.action, "can be done", f"cannot be done: {last.refused}", None
    for what in ("engine", "ignition", "cluster"):
        if getattr(seen, what) is not None:
            yield what, getattr(seen, what), getattr(last, what), None
    if seen.cranks is not None:
        yield "starter", _turned(seen.cranks), _turned(any(sight.cranked for sight in sights)), None
    if seen.starts is not None:
        yield "engine", _fired(seen.starts), _fired(any(sight.started for sight in sights)), None
    for word, names in (("lit", seen.lit), ("dark", seen.dark)):
        for name in names:
            yield f"lamp {name}", word, "lit" if name in last.lit else "dark", None
    yield from _compared_scan(seen, last)
    for word, names in (("done", seen.done), ("refused", seen.denied), ("no answer", seen.no_answer)):
        for name in names:
            yield f"{last.action}: {name}", word, dict(last.asked).get(name, "not asked"), None
    if seen.reads is not None:
        yield _compared_reading(seen, last)
    if seen.shows is not None:
        says = last.display or "nothing was looked at"
        yield last.action, seen.shows, seen.shows if seen.shows in says else says, None


def _compared_scan(seen: Seen, last: Sight) -> _Compared:
    if seen.tester_power is not None:
        yield "tester", _power(seen.tester_power), _power(bool(last.power)), None
    for word, names in (("answers", seen.answers), ("silent", seen.silent)):
        for name in names:
            yield name, word, _answer(last, name), None
    held = {(module, code): state for module, code, state in last.codes}
    told: set[tuple[str, str]] = set()
    for text in seen.codes:
        module, code, state = _code(text)
        found = [
            (key, one) for key, one in sorted(held.items()) if key[0] == module and key[1].startswith(code)
        ]
        told.update(key for key, _ in found)
        says = next(
            (one for _, one in found if state in ("", one)), found[0][1] if found else _none(last, module)
        )
        yield f"{module} {code}", state or says if found else state or "held", says, None
    for text in seen.no_codes:
        module, code, _ = _code(text)
        found = [
            (key, one) for key, one in sorted(held.items()) if key[0] == module and key[1].startswith(code)
        ]
        says = ", ".join(f"{key[1]} {one}" for key, one in found) or _none(last, module)
        yield f"{module} {code}".strip(), "no code", says, None
    if seen.no_other_codes:
        for key in sorted(set(held) - told):
            yield " ".join(key), "no code", held[key], None


def _compared_reading(seen: Seen, last: Sight) -> tuple[str, str, str, float | None]:
    says = last.display or "nothing was measured"
    if seen.reads == "floating":
        return last.action, FLOATING, says, None
    assert isinstance(seen.reads, float)
    assert seen.within is not None
    wanted = f"{seen.reads:g} ± {seen.within:g}"
    if last.reading is None:
        return last.action, wanted, says, None
    off = abs(last.reading - seen.reads)
    if off <= seen.within or isclose(off, seen.within):  # 12.5 - 12.2 is a little more than 0.3 in binary
        return last.action, wanted, wanted, None
    return last.action, wanted, says, off - seen.within


# -- stories against the case --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Verdict:
    """One story put to the test. `looked_at`: how many things were compared."""

    story: str
    edits: tuple[str, ...]
    misses: tuple[Miss, ...]
    looked_at: int

    @property
    def reproduces_all(self) -> bool:
        """Does the story give everything that was seen?"""
        return not self.misses

    @property
    def first_miss(self) -> Miss | None:
        """Where the story first goes wrong."""
        return self.misses[0] if self.misses else None


@dataclass(frozen=True, slots=True)
class Separation:
    """An experiment after the last step: stories that would then look alike stand in one group.

    `shows`: what differs, with the value in each group.
    """

    experiment: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    shows: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def separates(self) -> bool:
        """Does it tell any two stories apart?"""
        return len(self.groups) > 1


@dataclass(frozen=True)
class CaseTable:
    """All stories of a case: those that give everything first, then by how late they first go wrong."""

    case: Case
    verdicts: tuple[Verdict, ...]
    separations: tuple[Separation, ...] = ()

    @property
    def tied(self) -> tuple[str, ...]:
        """The stories that give everything that was seen; more than one is a tie."""
        return tuple(one.story for one in self.verdicts if one.reproduces_all)

    @property
    def words(self) -> str:
        """The outcome in a sentence."""
        if not self.tied:
            return "No story gives everything that was seen."
        if len(self.tied) == 1:
            return f"Only '{self.tied[0]}' gives everything that was seen."
        names = ", ".join(f"'{name}'" for name in self.tied)
        return f"A tie: {names} all give everything that was seen; nothing looked at so far tells them apart."

    def as_markdown(self) -> str:
        """A printable report."""
        return as_markdown(self.case.case, list(self.sections()))

    def as_html(self) -> str:
        """The same report as one HTML page."""
        return as_html(self.case.case, list(self.sections()))

    def sections(self) -> Iterator[Section]:
        """The report, section by section."""
        yield Section("Case", (self.case.about.strip(), *_step_lines(self.case)))
        rows = tuple(
            (one.story, "; ".join(one.edits) or "as described", _outcome(one), str(one.first_miss or ""))
            for one in self.verdicts
        )
        yield Section("Stories", (Rows(("story", "edits", "gives", "first goes wrong"), rows), self.words))
        if self.separations:
            yield Section("One experiment further", tuple(_separation_lines(self.separations)))


def try_stories(
    case: Case,
    *,
    workshop: Workshop,
    stories: dict[str, Story] | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> CaseTable:
    """Run every story through the steps, and the tied ones through each of the case's experiments."""
    told = case.stories if stories is None else stories
    accounts = workshop.run([_trial(case, story) for story in told.values()], progress=progress, stop=stop)
    found = [_verdict(case, name, told[name], one) for name, one in zip(told, accounts, strict=True)]
    found.sort(key=lambda one: (-(one.first_miss.step if one.first_miss else 10**6), len(one.misses)))
    table = CaseTable(case, tuple(found))
    if len(table.tied) < 2:
        return table
    tied = {name: told[name] for name in table.tied}
    return CaseTable(
        case, table.verdicts, separations(case, tied, case.experiments, workshop=workshop, stop=stop)
    )


def separations(
    case: Case,
    stories: dict[str, Story],
    experiments: Iterable[Sequence[str]],
    *,
    workshop: Workshop,
    stop: Stop = never,
) -> tuple[Separation, ...]:
    """What each experiment after the last step would show under each story; those that separate come first.

    An experiment is a list of actions, edits among them. Raises `EditProblem` where one cannot be done under
    any of the stories.
    """
    plans = [tuple(one) for one in experiments]
    trials = [_trial(case, story, plan) for plan in plans for story in stories.values()]
    accounts = workshop.run(trials, stop=stop)
    found = []
    for place, plan in enumerate(plans):
        told = accounts[place * len(stories) : (place + 1) * len(stories)]
        _refuse_what_never_works(told, len(case.actions))
        after = [_seen_after(account, len(case.actions)) for account in told]
        found.append(_separation(plan, tuple(stories), after))
    return tuple(sorted(found, key=lambda one: -len(one.groups)))


def _trial(case: Case, story: Story, more: Sequence[str] = ()) -> Trial:
    given = sentences([*case.given, *story.edits], case.whole_car)
    return Trial(case.vehicle, given, (*case.actions, *more), case.seed)


def _verdict(case: Case, name: str, story: Story, account: Account) -> Verdict:
    if account.impossible:
        return Verdict(name, story.edits, (Miss(0, "the car", "stands there", account.impossible),), 0)
    found: list[Miss] = []
    looked_at = at = 0
    for number, step in enumerate(case.steps, start=1):
        sights = account.sights[at : at + len(step.do)]
        at += len(step.do)
        looked_at += sum(1 for _ in compared(step.seen, sights))
        found += misses(step, sights, number)
    return Verdict(name, story.edits, tuple(found), looked_at)


def _seen_after(account: Account, done: int) -> dict[str, str | float]:
    parts: dict[str, str | float] = {}
    for place, sight in enumerate(account.sights[done:], start=1):
        turned: dict[str, str | float] = {"starter": _turned(sight.cranked), "fired": _fired(sight.started)}
        told = {f"{sight.action}, in words": " ".join(sight.notes)} if sight.notes else {}
        in_words = told if sight.reading is None else {}  # a meter's notes are about its reading
        for what, value in {**sight.seat(), **turned, **sight.found(), **in_words}.items():
            parts[f"{what} (after '{sight.action}', action {place} of the experiment)"] = value
    return parts


def _refuse_what_never_works(accounts: Sequence[Account], done: int) -> None:
    for sights in zip(*(account.sights[done:] for account in accounts), strict=True):
        if all(sight.refused for sight in sights):
            raise EditProblem(f"the experiment cannot be done: {sights[0].refused}")


def _separation(
    plan: tuple[str, ...], names: tuple[str, ...], after: Sequence[dict[str, str | float]]
) -> Separation:
    groups: list[list[int]] = []
    for k, seen in enumerate(after):
        for group in groups:
            if look_alike(after[group[0]], seen):
                group.append(k)
                break
        else:
            groups.append([k])
    firsts = [after[group[0]] for group in groups]
    things = dict.fromkeys(thing for seen in firsts for thing in seen)
    shows = tuple(
        (thing, tuple(_shown(seen.get(thing)) for seen in firsts))
        for thing in sorted(things, key=_rank)
        if any(not _equal(firsts[0].get(thing), seen.get(thing)) for seen in firsts)
    )
    return Separation(plan, tuple(tuple(names[k] for k in group) for group in groups), shows)


def look_alike(one: dict[str, str | float], other: dict[str, str | float]) -> bool:
    """Would a person with a meter call these the same?"""
    return one.keys() == other.keys() and all(_equal(one[what], other[what]) for what in one)


_ANSWERS, _SEAT, _FOUND, _CODES = range(4)  # who answers, what the driver sees, what was found, then codes
_SEAT_SHOWS = ("engine", "ignition", "cluster", "starter", "fired", "lamp")


def _rank(thing: str) -> int:
    words = thing.partition(" (after ")[0].split()
    if len(words) == 2 and re.fullmatch(r"[PCBU][0-9A-F]{4}(-[0-9A-F]{2})?", words[1]):
        return _CODES
    if words[0] in _SEAT_SHOWS:
        return _SEAT
    return _ANSWERS if len(words) == 1 else _FOUND


def _together(shows: Sequence[tuple[str, tuple[str, ...]]]) -> tuple[tuple[str, ...], ...]:
    """Rows of a table; modules that fare alike are one row, and so are those that hold one code alike."""
    rows: dict[tuple[int, str, str, tuple[str, ...]], list[str]] = {}
    for thing, values in shows:
        what, after, when = thing.partition(" (after ")
        rank = _rank(thing)
        module, _, code = what.partition(" ")
        name, holder = ("", what) if rank == _ANSWERS else (code, module) if rank == _CODES else (what, "")
        rows.setdefault((rank, name, after + when, values), []).append(holder)
    return tuple(
        (_row_name(name, holders) + when, *values) for (_, name, when, values), holders in rows.items()
    )


def _row_name(name: str, holders: Sequence[str]) -> str:
    listed = ", ".join(holders)
    return f"{name} in {listed}" if name and listed else name or listed


def _equal(a: str | float | None, b: str | float | None) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return abs(a - b) <= max(READABLE_LEAST, READABLE * max(abs(a), abs(b)))
    return a == b


# -- words ---------------------------------------------------------------------------------------------------


def _code(text: str) -> tuple[str, str, str]:
    """Module, code and state of "ECM U0101 stored"; code and state may be missing."""
    module, code, state = (*text.split(), "", "")[:3]
    return module, code, state


def _answer(last: Sight, module: str) -> str:
    if last.power is None:
        return "not scanned"
    return "answers" if module in last.answering else "silent"


def _none(last: Sight, module: str) -> str:
    return "no code" if module in last.answering else _answer(last, module)


def _turned(so: bool) -> str:
    return "turned" if so else "did not turn"


def _fired(so: bool) -> str:
    return "started" if so else "did not start"


def _can(so: bool) -> str:
    return "can be done" if so else "cannot be done"


def _power(so: bool) -> str:
    return "has power" if so else "no power"


def _shown(value: str | float | None) -> str:
    return "nothing" if value is None else f"{value:.4g}" if isinstance(value, float) else value


def _outcome(verdict: Verdict) -> str:
    good = verdict.looked_at - len(verdict.misses)
    return "everything" if verdict.reproduces_all else f"{max(good, 0)} of {verdict.looked_at}"


def _step_lines(case: Case) -> Iterator[str]:
    for number, step in enumerate(case.steps, start=1):
        seen = step.seen.model_dump(exclude_defaults=True)
        words = "; ".join(f"{what}: {_listed_words(value)}" for what, value in seen.items())
        yield f"{number}. {', '.join(step.do)}" + (f" → {words}" if words else "")


def _listed_words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def _separation_lines(separations: Sequence[Separation]) -> Iterator[str | Rows]:
    useful = [one for one in separations if one.separates]
    yield f"{len(useful)} of {len(separations)} experiments would tell the tied stories apart."
    for one in useful:
        yield f"{'; '.join(one.experiment)}:"
        yield Rows(("", *(", ".join(group) for group in one.groups)), _together(one.shows))
    for one in separations:
        if not one.separates:
            yield f"{'; '.join(one.experiment)}: looks the same under all of them."


# -- checking ------------------------------------------------------------------------------------------------


def _check(case: Case) -> None:
    car = case.whole_car
    for place, text in enumerate(case.given):
        _check_edit(text, car, ("given", place))
    for name, story in case.stories.items():
        for place, text in enumerate(story.edits):
            _check_edit(text, car, ("stories", name, "edits", place))
    for place, step in enumerate(case.steps):
        for line, text in enumerate(step.do):
            _check_action(text, car, ("steps", place, "do", line))
        _check_names(step.seen, car, place)
    for place, plan in enumerate(case.experiments):
        for line, text in enumerate(plan):
            _check_action(text, car, ("experiments", place, line))


def _check_edit(text: str, car: Car, path: tuple[str | int, ...]) -> None:
    try:
        parse_edit(text, car)
    except Problem as problem:
        raise Problem(problem.what, path) from None


def _check_action(text: str, car: Car, path: tuple[str | int, ...]) -> None:
    try:
        parse_action(text, car)
    except Problem as problem:
        raise Problem(problem.what, path) from None


def _check_names(seen: Seen, car: Car, place: int) -> None:
    lamps = [name for module in car.built.modules.values() for name in module.telltales]
    modules = list(car.built.modules)
    for field, known, kind in (
        ("lit", lamps, "telltale"), ("dark", lamps, "telltale"), ("answers", modules, "module"),
        ("silent", modules, "module"), ("codes", modules, "module"), ("no_codes", modules, "module"),
        ("done", modules, "module"), ("denied", modules, "module"), ("no_answer", modules, "module"),
    ):  # fmt: skip
        for text in getattr(seen, field):
            name = text.split()[0] if text.split() else ""
            if name not in known:
                path = ("steps", place, "seen", field)
                raise Problem(f"no {kind} '{name}' in this car{did_you_mean(name, known)}", path)
            if field == "codes" and not _is_code(text):
                path = ("steps", place, "seen", field)
                raise Problem(
                    f"'{text}' is no code of a module: write 'ECM U0101' or 'ECM U0101-87 stored'", path
                )


def _is_code(text: str) -> bool:
    words = text.split()
    return 2 <= len(words) <= 3 and (len(words) < 3 or words[2] in ("present", "stored"))
