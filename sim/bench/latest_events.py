"""The latest trace events of a car's parts, to which an explanation of the present state refers."""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.vehicle.harness_state import HarnessState

SETS = ("unplugged", "pulled", "blown", "opened", "stuck", "babbling", "classical")
TABLES = ("added_ohm", "fitted_a", "loosened", "swapped", "offset_v", "intermittent", "bitrates_bps")


@dataclass
class LatestEvents:
    """Event numbers. edits: by part or channel; theories: by sentence; switches: by hand switch or relay.

    trigger: what was done or switched last.
    """

    edits: dict[str, int] = field(default_factory=dict)
    theories: dict[str, int] = field(default_factory=dict)
    switches: dict[str, int] = field(default_factory=dict)
    trigger: int | None = None

    def note_edit(self, old: HarnessState, new: HarnessState, event: int) -> None:
        """Note the event for every part that an edit has changed."""
        for name in sorted(old.kept_awake ^ new.kept_awake):
            self.edits[f"{name} awake"] = event
        for field_name in SETS:
            for name in sorted(getattr(old, field_name) ^ getattr(new, field_name)):
                self.edits[name] = event
        for field_name in TABLES:
            was, now = getattr(old, field_name), getattr(new, field_name)
            for name in sorted(was.keys() | now.keys()):
                if was.get(name) != now.get(name):
                    self.edits[name] = event
        for name in sorted(old.leads.keys() | new.leads.keys()):
            if old.leads.get(name) != new.leads.get(name):
                parts = (*old.leads.get(name, ()), *new.leads.get(name, ()))
                self.edits.update(dict.fromkeys((name, *(part.id for part in parts)), event))
        if old.battery_pct != new.battery_pct:
            self.edits["BAT"] = event
