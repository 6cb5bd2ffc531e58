"""The condition under which a module goes or stays offline (`shuts_down_when` of its file, or a theory).

Only *true* shuts it down and only *false* brings it back: what it cannot know leaves it as it is. It goes on
receiving, or it could not learn that the condition is over. Its own tests rest, so a code of its own keeps it
offline until its supply is taken away or it sleeps.

Not modeled: a module that comes back by itself after some time to try again.
"""

from __future__ import annotations

from sim.modules.facts import in_words
from sim.modules.knowledge import Knowledge
from sim.modules.world import Host
from sim.vehicle.conditions import Condition


class ShutDown:
    """Whether one module is to be offline now."""

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self._host = host
        self._knowledge = knowledge
        self._when: Condition | None = host.spec.shuts_down_when
        self._asks = knowledge.asks(self._when) if self._when else None

    @property
    def holds(self) -> bool:
        """Is the condition known to be true?"""
        return self._asks is not None and self._asks() is True

    @property
    def over(self) -> bool:
        """Is it known to be false?"""
        return self._asks is None or self._asks() is False

    @property
    def words(self) -> str:
        """What is told of it."""
        return f"{self._host.name} shuts down: {in_words(self._when) if self._when else 'never'}"

    def causes(self) -> tuple[int, ...]:
        """The events that make it true, and the theories that say so."""
        supposed = self._host.world.explainer.supposed(self._host.name, "shuts down when")
        return (*(self._knowledge.judge(self._when).events if self._when else ()), *supposed)
