"""Case files: read, checked, and written.

case = read_case(Path("dead-dash.yaml"))
text = case_text(case)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from io import StringIO
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.scalarstring import LiteralScalarString

from sim.bench.actions import parse_action
from sim.catalogue import car_file, is_path, shipped_cars, shipped_cases
from sim.lab.case import NO_CODE, Case, CodeSeen, Evidence
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.every_problem import line_of
from sim.vehicle.problems import FileProblem, Problem, did_you_mean
from sim.vehicle.reading import car_from_text, described

# what in a step's evidence names lamps or modules
NAMED = ("lit", "dark", "answers", "silent", "codes", "no_codes", "done", "denied", "no_answer")


def read_case(path: Path) -> Case:
    """The case in a file; raises `FileProblem` with file, line and reason."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FileProblem(f"cannot be read: {error.strerror}", path.name, 1) from None
    except UnicodeDecodeError:
        raise FileProblem("is not UTF-8 text", path.name, 1) from None
    return case_from_text(text, path.name, path.parent)


def find_case(name: str) -> Case:
    """The case that comes with busbay under this name, or that of a file; raises `Problem` for neither."""
    shipped = shipped_cases()
    if name in shipped:
        return read_case(shipped[name])
    if is_path(name) or Path(name).is_file():
        return read_case(Path(name))
    nearest = did_you_mean(name, shipped)
    raise Problem(
        f"no case '{name}'{nearest}" + ("" if nearest.endswith("?") else "; or give a case file's path")
    )


def case_from_text(text: str, name: str = "case file", folder: Path | None = None) -> Case:
    """The case that a text describes; its car, edits and names are checked.

    `folder`: where the path of a car begins. Without it no file is read: a case from elsewhere names a
    shipped car or holds its own.
    """

    def checked(case: Case, document: Any) -> Case:
        case = _with_its_car(case, document, name, folder)
        _check(case)
        return case

    try:
        return described(text, name, Case, checked)
    except FileProblem as problem:
        if {("case",), ("modules",)} <= {one.path for one in problem.all}:
            what = "this is a vehicle file, not a case: begin a case about its car"
            raise FileProblem(what, name, 1) from None
        raise


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
        first, *others = [_inside_the_case(one, document, name) for one in problem.all]
        raise FileProblem(first.what, name, first.line, first.path, others) from None


def _inside_the_case(problem: FileProblem, document: Any, name: str) -> FileProblem:
    at = line_of(document, ("car", *problem.path))
    if isinstance(document["car"], str):  # the text begins on the line after its key
        at += problem.line
    return FileProblem(problem.what, name, at, ("car", *problem.path))


def _check(case: Case) -> None:
    car = case.whole_car
    _check_all(parse_edit, case.given, car, ("given",))
    for name, story in case.stories.items():
        _check_all(parse_edit, story.edits, car, ("stories", name, "edits"))
    for place, step in enumerate(case.steps):
        _check_all(parse_action, step.do, car, ("steps", place, "do"))
        check_names(step.seen, car, ("steps", place, "seen"))
    for place, plan in enumerate(case.experiments):
        _check_all(parse_action, plan, car, ("experiments", place))


def _check_all(
    parsed: Callable[[str, Car], object], texts: Sequence[str], car: Car, path: tuple[str | int, ...]
) -> None:
    for place, text in enumerate(texts):
        try:
            parsed(text, car)
        except Problem as problem:
            raise Problem(problem.what, (*path, place)) from None


def check_names(seen: Evidence, car: Car, path: tuple[str | int, ...]) -> None:
    """Raises `Problem` with its place below `path` where evidence names no lamp or module of the car."""
    lamps = [name for module in car.built.modules.values() for name in module.telltales]
    modules = list(car.built.modules)
    for field in NAMED:
        known, kind = (lamps, "telltale") if field in ("lit", "dark") else (modules, "module")
        for one in getattr(seen, field):
            name = one.module if isinstance(one, CodeSeen) else one
            if name not in known:
                raise Problem(f"no {kind} '{name}' in this car{did_you_mean(name, known)}", (*path, field))
    for code in seen.codes:
        if not code.code:
            raise Problem(f"'{code}' {NO_CODE}", (*path, "codes"))
