"""The sentences of command line and log, from the registries that read them: actions and kinds of edits."""

from __future__ import annotations

from dataclasses import dataclass

from sim.vehicle.edit import EDIT_KINDS, EditKind


@dataclass(frozen=True, slots=True)
class FaultSentence:
    """A fault or theory: the verb of its sentence, its form, what it means at which part, what ends it."""

    verb: str
    form: str
    means: str
    ended_by: str


@dataclass(frozen=True, slots=True)
class RepairSentence:
    """A repair: its verb, and the verbs of what it ends (none: it undoes nothing that is listed)."""

    verb: str
    ends: tuple[str, ...]


def faults() -> tuple[FaultSentence, ...]:
    """Every kind of fault and theory."""
    return tuple(_fault(kind) for kind in EDIT_KINDS.values() if kind.sort != "repair")


def repairs() -> tuple[RepairSentence, ...]:
    """Every kind of repair."""
    kinds = EDIT_KINDS.values()
    return tuple(
        RepairSentence(kind.verb, tuple(one.verb for one in kinds if one.repair == kind.verb and one != kind))
        for kind in kinds
        if kind.sort == "repair"
    )


def _fault(kind: EditKind) -> FaultSentence:
    forms = dict.fromkeys(_form(answer.sentence) for answer in kind.answers)
    means = dict.fromkeys(f"{answer.part}: {answer.words}" for answer in kind.answers)
    return FaultSentence(kind.verb, next(iter(forms), kind.verb), "; ".join(means), kind.repair)


def _form(sentence: str) -> str:
    """A sentence with PART and OTHER in place of names."""
    return sentence.replace("{part}", "PART").replace("{other}", "OTHER")
