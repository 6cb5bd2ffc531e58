"""The latest trace events of a car's parts, to which an explanation of the present state refers."""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.vehicle.edit import Theory
from sim.vehicle.harness_state import HarnessState, alterations


@dataclass
class LatestEvents:
    """Event numbers. edits: by part or channel; switches: by hand switch or relay.

    trigger: what was done or switched last.
    """

    edits: dict[str, int] = field(default_factory=dict)
    theories: dict[Theory, int] = field(default_factory=dict)
    switches: dict[str, int] = field(default_factory=dict)
    trigger: int | None = None

    def note_edit(self, old: HarnessState, new: HarnessState, event: int) -> None:
        """Note the event for every part that an edit has changed."""
        for one in alterations(old, new):
            self.edits.update(dict.fromkeys(one.names(), event))
