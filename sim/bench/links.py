"""The Ethernet links of a live car: asleep, in training, up or down, and since which event.

Both PHYs train as soon as both are awake and the wiring joins them; after TRAINING_S the link is up and
carries frames. It is down at once when the wiring parts them, one loses its supply, or both are master or
both slave. A PHY whose partner wakes gets a wake-up pulse over the pair (TC10): its module sees it as it sees
a frame on CAN.

Not modeled: training that takes longer on a poor pair, the handshake before sleep (it takes milliseconds).
"""

from __future__ import annotations

from functools import partial

from sim.bench.running_car import RunningCar
from sim.modules.facts import Fact
from sim.modules.world import Timer
from sim.vehicle.ethernet import TRAINING_S, LinkState
from sim.wiring.segments import Segment

Pair = tuple[str, ...]
WORDS = {"sleep": "asleep", "down": "down", "training": "in training", "up": "up"}


class EthernetLinks:
    """The state of every link of one car, by its two channels."""

    def __init__(self, live: RunningCar) -> None:
        self._live = live
        self._state: dict[Pair, LinkState] = {}
        self._event: dict[Pair, int | None] = {}
        self._training: dict[Pair, Timer] = {}

    def carried(self, segments: tuple[Segment, ...], awake: frozenset[str]) -> tuple[Segment, ...]:
        """The segments that exist now: a link carries frames once it is up, before it is two lone ends."""
        found: list[Segment] = []
        joined = {segment.members: segment for segment in segments if len(segment.members) > 1}
        for pair in self._pairs():
            self._follow(pair, pair in joined, not awake.isdisjoint(pair))
        for segment in segments:
            if segment.members in self._state and self._state[segment.members] != "up":
                found += [segment._replace(members=(name,)) for name in segment.members]
            else:
                found.append(segment)
        return tuple(found)

    def of(self, channel: str) -> Fact:
        """The state of the link at a channel, and its event."""
        pair = next(pair for pair in self._pairs() if channel in pair)
        return Fact(self._state.get(pair, "sleep"), self._event.get(pair))

    def _pairs(self) -> list[Pair]:
        phys: dict[str, list[str]] = {}
        for name, one in self._live.car.transceivers.items():
            if one.phy:
                phys.setdefault(one.bus, []).append(name)
        return [tuple(sorted(names)) for names in phys.values()]

    def _follow(self, pair: Pair, joined: bool, awake: bool) -> None:
        """A link as the wiring and its modules have it now."""
        before = self._state.get(pair, "sleep")
        if joined and before in ("sleep", "down"):
            self._training[pair] = self._live.world.after(TRAINING_S, partial(self._trained, pair))
            self._turn(pair, "training")
            return
        now: LinkState = "down" if awake else "sleep"
        if not joined and before != now:
            if pair in self._training:
                self._training.pop(pair).cancel()
            self._turn(pair, now)

    def _trained(self, pair: Pair) -> None:
        del self._training[pair]
        self._turn(pair, "up")
        self._live.invalidate()

    def _turn(self, pair: Pair, state: LinkState) -> None:
        """Note the change, and let both modules look at it."""
        live = self._live
        one = live.car.transceivers[pair[0]]
        words = f"the link {one.bus} is {WORDS[state]}"
        causes = self._causes(pair, state)
        self._state[pair] = state
        self._event[pair] = live.world.record("link", one.module, words, causes, one.bus, state)
        for name in pair:
            live.invalidate(live.car.transceivers[name].module)

    def _causes(self, pair: Pair, state: LinkState) -> tuple[int | None, ...]:
        if state == "up":
            return (self._event.get(pair),)
        return self._live.causes.link(*pair) if state == "down" else (self._live.latest.trigger,)
