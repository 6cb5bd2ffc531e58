"""The stories of a case as text for a terminal, and as JSON.

print(table_text(try_stories(case, workshop=workshop)))
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from textwrap import fill

from sim.lab.report import DISCLAIMER
from sim.lab.stories import CaseTable, StoryVerdict

WIDTH = 100  # characters


def table_text(table: CaseTable) -> str:
    """Each story with what it gives and where it first goes wrong, then the outcome and the experiments."""
    return "\n".join(
        [table.case.case, "", *_stories(table), "", *_outcome(table), "", fill(DISCLAIMER, WIDTH)]
    )


def table_json(table: CaseTable) -> str:
    """Everything that the stories were compared by."""
    data = {
        "disclaimer": DISCLAIMER,
        "case": table.case.case,
        "outcome": table.words,
        "tied": table.tied,
        "stories": [
            {**asdict(one), "reproduces_all": one.reproduces_all, "says": table.case.stories[one.story].says}
            for one in table.verdicts
        ],
        "experiments": [
            {
                "experiment": one.experiment,
                "groups": one.groups,
                "shows": [[str(what), *values] for what, values in one.shows],
            }
            for one in table.separations
        ],
    }
    return json.dumps(data, ensure_ascii=False, indent=1)


def _stories(table: CaseTable) -> Iterator[str]:
    width = max(len(one.story) for one in table.verdicts)
    for one in table.verdicts:
        yield f"{one.story:{width}}  {one.gives:12}  {'; '.join(one.edits) or 'as described'}"
        yield from _first_miss(one, width)


def _first_miss(one: StoryVerdict, width: int) -> Iterator[str]:
    if one.first_miss:
        indent = " " * (width + 2)
        yield fill(str(one.first_miss), WIDTH, initial_indent=indent, subsequent_indent=indent)


def _outcome(table: CaseTable) -> Iterator[str]:
    yield fill(table.words, WIDTH)
    for one in table.separations:
        if one.separates:
            groups = " | ".join(", ".join(group) for group in one.groups)
            yield f"Would tell them apart: {'; '.join(one.experiment)}: {groups}"
