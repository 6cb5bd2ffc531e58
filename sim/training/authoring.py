"""An exercise out of what an author did: from a broken car in the bay, and from typed fields to a file.

    fields = taken_from(bench)            # car, arrives, before
    fields |= {"exercise": "Tail lamps", "topic": "fuses", ...}
    exercise_from_text(exercise_file(fields), "tail-lamps.yaml")

A field is a text; one that lists something has a line for each, `complaint` and `answers` are YAML.
`faults` is how many faults share the work order; what each of them has of its own is in fields named by
`of_fault`. `seed` matters where something opens intermittently, by chance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from io import StringIO
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.scalarstring import FoldedScalarString

from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.training.exercise import Answers, Complaint, Exercise
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all, is_theory, parse_edit
from sim.vehicle.problems import EditProblem

LISTS = ("after", "arrives", "before", "tools", "proof", "safety", "hints", "solution")
GUIDE_LISTS = ("wrong_turns", "ask", "expect", "transfer")
OF_A_FAULT = ("arrives", "solution", "why")
SAID = ("words", "complaint", "answers")  # of a further fault only where it is not what is said of the first
READS_ONLY = ("scan", "save", "clear", "unlock")
MOST_FAULTS = 21  # as many as an exercise file may hold
FOLD_AT = 90  # letters beyond which a text is folded over several lines


def taken_from(bench: Bench) -> dict[str, str]:
    """The fields `arrives`, `before` and `seed` of an exercise whose car is the one in the bay.

    What was done to the harness and is still so arrives with the car; what was operated meanwhile happened
    before it came in. Raises `EditProblem` where the car is as it should be.
    """
    arrives = faults_of(bench)
    if not arrives:
        raise EditProblem("nothing is wrong with the car in the bay: break it first")
    kept = [text for text in bench.log if _operates(text, bench.car)]
    return {"arrives": "\n".join(arrives), "before": "\n".join(kept), "seed": f"{bench.seed}"}


def faults_of(bench: Bench) -> tuple[str, ...]:
    """The edits that make a whole car what the one in the bay is, in order; fuses that blew are left out."""
    car = bench.base
    kept: list[str] = []
    for text in (*bench.given, *(text for text in bench.log if _verb(text, car) == "edit")):
        if _kind(text, car, kept) != "repair":
            kept.append(text)
            continue
        try:
            wanted = apply_all(car, [*kept, text]).harness
        except EditProblem:  # what it mended was a consequence, such as a fuse that had blown
            continue
        fewer = (kept[:place] + kept[place + 1 :] for place in range(len(kept)))
        kept = next((some for some in fewer if apply_all(car, some).harness == wanted), [*kept, text])
    return tuple(kept)


def solution_from(bench: Bench, arrives: str, before: str) -> str:
    """The field `solution`: what was done in the bay since the car of these fields came in.

    Raises `EditProblem` where the car in the bay is another one.
    """
    begun = _lines(before)
    if list(bench.given) != _lines(arrives) or bench.log[: len(begun)] != begun:
        raise EditProblem("the car in the bay is not the one of this exercise: put that one there first")
    return "\n".join(bench.log[len(begun) :])


def exercise_file(fields: Mapping[str, str]) -> str:
    """The text of an exercise file; whether it makes sense is for `exercise_from_text` to say."""
    data: dict[str, Any] = {
        "exercise": fields.get("exercise", ""),
        "topic": fields.get("topic", ""),
        "level": _whole(fields, "level", 1),
        "car": fields.get("car", ""),
        "seed": _whole(fields, "seed", 0),
        "work_order": _filled(fields, ("customer", "words", "history")),
        "goal": fields.get("goal", ""),
        "minutes": _whole(fields, "minutes", 30),
    }
    data |= {name: _lines(fields[name]) for name in LISTS if fields.get(name, "").strip()}
    data.setdefault("arrives", [])
    data |= _in_yaml("complaint", fields.get("complaint", ""))
    data |= _in_yaml("answers", fields.get("answers", ""))
    if data["seed"] == 0:
        del data["seed"]
    data["guide"] = _filled(fields, ("why",)) | {
        name: _lines(fields[name]) for name in GUIDE_LISTS if fields.get(name, "").strip()
    }
    if faults_in(fields) > 1:
        data["others"] = [_other(fields, number) for number in range(2, faults_in(fields) + 1)]
    out = StringIO()
    yaml = YAML()
    yaml.width = FOLD_AT + 20
    yaml.dump(_folded(data), out)
    return out.getvalue()


def fields_of(exercise: Exercise) -> dict[str, str]:
    """The fields of an exercise that is there already, to begin another one from."""
    data = exercise.model_dump(mode="json")
    fields = {name: "\n".join(data[name]) for name in LISTS}
    fields |= {name: "\n".join(data["guide"][name]) for name in GUIDE_LISTS}
    fields |= {name: str(data["work_order"][name]) for name in ("customer", "words", "history")}
    fields |= {name: str(data[name]) for name in ("exercise", "topic", "level", "car", "seed", "goal")}
    fields |= {"minutes": f"{exercise.minutes:g}", "why": exercise.guide.why}
    fields["complaint"] = _steps(exercise.complaint)
    fields["answers"] = _answers(exercise.answers)
    for number, other in enumerate(exercise.others, start=2):
        fields |= {of_fault("arrives", number): "\n".join(other.arrives), of_fault("why", number): other.why}
        fields |= {
            of_fault("solution", number): "\n".join(other.solution),
            of_fault("words", number): other.words,
        }
        fields |= {of_fault("complaint", number): _steps(other.complaint)}
        fields |= {of_fault("answers", number): _answers(other.answers)}
    return fields | {"faults": f"{1 + len(exercise.others)}"}


def of_fault(name: str, number: int) -> str:
    """The field of a fault, 1 for the first, that holds what is its own (one of `OF_A_FAULT`)."""
    return name if number == 1 else f"{name} {number}"


def faults_in(fields: Mapping[str, str]) -> int:
    """How many faults share the work order in these fields."""
    told = fields.get("faults", "")
    return min(max(int(told), 1), MOST_FAULTS) if told.isdecimal() else 1


def without_fault(fields: Mapping[str, str], number: int) -> dict[str, str]:
    """The fields without one of their several faults; those after it move up."""
    count = faults_in(fields)
    left = [one for one in range(1, count + 1) if one != number]
    moved = {
        of_fault(name, place): fields.get(of_fault(name, one), "")
        for place, one in enumerate(left, start=1)
        for name in OF_A_FAULT
    }
    for name in SAID:
        said = [fields.get(of_fault(name, one), "") for one in left]
        moved |= {of_fault(name, place): one for place, one in enumerate(said, start=1)}
        moved[name] = said[0] or fields.get(name, "")
    gone = {of_fault(name, count): "" for name in (*OF_A_FAULT, *SAID)}
    return {**fields, **gone, **moved, "faults": f"{len(left)}"}


# -- small things ------------------------------------------------------------------------------------------


def _verb(text: str, car: Car) -> str:
    """What kind of action a line of a log is; a theory may be about pins that the plain car has not."""
    try:
        return parse_action(text, car).verb
    except EditProblem:
        return "edit"


def _kind(text: str, car: Car, kept: list[str]) -> str:
    return parse_edit(text, apply_all(car, [one for one in kept if is_theory(one)])).kind


def _operates(text: str, car: Car) -> bool:
    return _verb(text, car) not in ("edit", *READS_ONLY, "observe")


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _other(fields: Mapping[str, str], number: int) -> dict[str, Any]:
    own = {name: fields.get(of_fault(name, number), "") for name in OF_A_FAULT}
    said = _filled({"words": fields.get(of_fault("words", number), "")}, ("words",))
    for name in ("complaint", "answers"):
        said |= _in_yaml(name, fields.get(of_fault(name, number), ""))
    return {name: _lines(own[name]) for name in ("arrives", "solution")} | said | _filled(own, ("why",))


def _in_yaml(name: str, text: str) -> dict[str, Any]:
    """What a text says in YAML; text of another form is refused when the file is read."""
    if not text.strip():
        return {}
    try:
        return {name: YAML(typ="safe").load(text)}
    except YAMLError:
        return {name: text}


def _steps(complaint: Complaint) -> str:
    """A complaint as YAML; nothing for none."""
    if not complaint:
        return ""
    return _yaml([step.model_dump(mode="json", exclude_defaults=True) for step in complaint])


def _answers(answers: Answers) -> str:
    """Answers as YAML, a line for each that is words alone; nothing for none."""
    if not answers:
        return ""
    told = {
        question: answer.model_dump(mode="json", exclude_defaults=True)
        for question, answer in answers.items()
    }
    return _yaml({str(name): one["says"] if len(one) == 1 else one for name, one in told.items()})


def _yaml(data: object) -> str:
    out = StringIO()
    yaml = YAML()
    yaml.width = FOLD_AT
    yaml.dump(data, out)
    return out.getvalue()


def _filled(fields: Mapping[str, str], names: Iterable[str]) -> dict[str, Any]:
    return {name: fields[name] for name in names if fields.get(name, "").strip()}


def _whole(fields: Mapping[str, str], name: str, usual: int) -> int | float | str:
    """A number where it is one; what else was typed is refused with its place when the file is read."""
    text = fields.get(name, "").strip() or str(usual)
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() else number


def _folded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _folded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_folded(one) for one in value]
    return FoldedScalarString(value) if isinstance(value, str) and len(value) > FOLD_AT else value
