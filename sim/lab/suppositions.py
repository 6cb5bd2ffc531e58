"""What is supposed about a car, to be varied: each is one edit, or several that belong together.

Several are divided by ';': "unplug GW.C1; bypass GW diag to powertrain" are both there or both left out.
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.lab.case import Case
from sim.vehicle.edits import is_repair, is_theory, parse_edit


def parts(text: str) -> list[str]:
    """The edits of one supposition."""
    return [part.strip() for part in text.split(";")]


def puts_right(action: str, supposed: Sequence[str]) -> bool:
    """Is it the repair of something supposed? Played too, it would make all combinations alike in the end."""
    verb, *what = action.split()
    edits = [part for text in supposed for part in parts(text) if part and not is_theory(part)]
    faults = [words for words in map(str.split, edits) if not is_repair(words[0])]
    return is_repair(verb) and any(what[:1] == words[1:2] for words in faults)


def suppositions_of(case: Case) -> tuple[list[str], list[str]]:
    """What a case and its stories suppose, and the repairs that take any of that back.

    A repair of one of these faults is the same as leaving the fault out, so it is no supposition.
    """
    car = case.whole_car
    told = [*case.given, *(edit for story in case.stories.values() for edit in story.edits)]
    edits = {edit.text: edit for edit in (parse_edit(text, car) for text in told)}
    undone = {edit.undo for edit in edits.values() if edit.kind == "fault"}
    repairs = [text for text, edit in edits.items() if edit.kind == "repair" and text in undone]
    # a bypass lead goes into the plug of the module whose place it takes: one does not go without the other
    leads = {text.split()[1]: text for text in edits if text.startswith("bypass ")}
    alone = [text for text in edits if text not in repairs and text not in leads.values()]
    return [_with_lead(text, leads) for text in alone], repairs


def _with_lead(text: str, leads: dict[str, str]) -> str:
    verb, name = text.split()[:2]
    lead = leads.get(name.partition(".")[0], "") if verb == "unplug" else ""
    return f"{text}; {lead}" if lead else text
