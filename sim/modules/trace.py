"""The trace: everything that happened, each event with the events that caused it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from sim.vehicle.car import Car
from sim.vehicle.wire_names import in_words


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened: `id` counts from 0, `time_s` is simulated time, `causes` are earlier ids.

    `item` names what the subject tells of (a code, a message, a lamp, a bus), `value` what it is from now on
    (a state, a mode, on or off); either may be empty. Both say in a word what `text` says as a sentence.
    """

    id: int
    time_s: float
    kind: str
    subject: str
    text: str
    causes: tuple[int, ...]
    item: str = ""
    value: str = ""

    def in_words(self, car: Car) -> Event:
        """The same with the wires and splices that its sentence names in words."""
        return replace(self, text=in_words(self.text, car))

    def as_json(self) -> str:
        """One line of JSON, the same bytes for the same event."""
        row = [self.id, round(self.time_s, 9), self.kind, self.subject, self.text, list(self.causes)]
        return json.dumps(row, ensure_ascii=False, separators=(",", ":"))


class Trace:
    """Events in the order in which they happened. on_event: assign a function to be called with each.

    An event is a change: what repeats unchanged, such as frames and readings, is none. A wording that comes
    again is stored once, so that an hour of a car that chatters stays within some tens of megabytes.

    Not modeled: every single frame (thousands a second; ask the network's tap for those).
    """

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._wordings: dict[str, str] = {}
        self.on_event: Callable[[Event], None] | None = None

    def record(
        self,
        time_s: float,
        kind: str,
        subject: str,
        text: str,
        causes: Iterable[int | None] = (),
        item: str = "",
        value: str = "",
    ) -> int:
        """Add an event and return its id."""
        known = tuple(sorted({cause for cause in causes if cause is not None}))
        wording = self._wordings.setdefault(text, text)
        event = Event(len(self.events), time_s, kind, subject, wording, known, item, value)
        self.events.append(event)
        if self.on_event:
            self.on_event(event)
        return event.id

    def __getitem__(self, event_id: int) -> Event:
        return self.events[event_id]

    def __len__(self) -> int:
        return len(self.events)

    def lines(self) -> Iterator[str]:
        """The trace as JSON lines."""
        return (event.as_json() for event in self.events)
