"""Controllers on one pair of wires, bit by bit: for buses on which something is wrong.

Each controller reads dominant when the dominant bits that reach it outweigh those that reach it the wrong way
round (`Reach`), 80 % into its own bit, and answers with its next bit. Controllers of different bit rates
stand on one line; each counts time in its own bits and starts them anew with the first edge of a frame (hard
synchronisation). The line sleeps while all controllers are parked.

Not modelled: resynchronisation within a frame, which only matters between bit rates that are nearly the same;
clock drift; time that signals take along the wire.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from sim.network.controller import DOMINANT, RECESSIVE, START, Controller

# Share of a bit before it is read: common practice, and what `sim.wiring.hearing` takes.
SAMPLE_POINT_PCT = 80
_NEVER = 1 << 62


@dataclass(frozen=True, slots=True)
class Reach:
    """Whose dominant bits one controller reads: names, its own among them when it reads itself back.

    against: whose pull the other way, so that one of each cancels out. held: it reads dominant for ever.
    """

    of: frozenset[str]
    against: frozenset[str] = frozenset()
    held: bool = False


@dataclass(slots=True, eq=False)
class Place:
    """A controller on the line: its bit time, the time of what it does next, and what reaches it.

    wants: asks its host whether it has something to send. misread: numbers of bits, counted from the start of
    the frame, that a disturbance turns round for it.
    """

    name: str
    controller: Controller
    bit_ns: int
    wants: Callable[[], bool]
    start_ns: int = 0  # of its present bit
    due_ns: int = _NEVER
    sampling: bool = False  # what is due is the sample point, else the start of a bit
    level: int = RECESSIVE  # what it drives
    mask: int = 0
    plus: int = 0
    minus: int = 0
    held: bool = False
    seen: int = RECESSIVE  # what it read last
    misread: set[int] = field(default_factory=set)
    frame_ns: int = 0  # start of the frame that it is in


class Line:
    """The wires. Times are whole nanoseconds."""

    def __init__(self) -> None:
        self.places: list[Place] = []
        self._dominant = 0  # mask of those that drive dominant

    def add(self, place: Place, now_ns: int) -> None:
        """Join a controller as it is: parked, or at the start of a bit now."""
        place.mask = 1 << len(self.places)
        place.level = RECESSIVE
        self.places.append(place)
        if not place.controller.parked and place.due_ns == _NEVER:
            _begin_bit(place, now_ns)

    def set_reach(self, reach: dict[str, Reach], now_ns: int) -> None:
        """Who reads whom from now on, for every controller on the line."""
        masks = {place.name: place.mask for place in self.places}
        for place in self.places:
            mine = reach[place.name]
            place.plus = sum(masks[name] for name in mine.of if name in masks)
            place.minus = sum(masks[name] for name in mine.against if name in masks)
            place.held = mine.held
        self._dominant = sum(place.mask for place in self.places if place.level == DOMINANT)
        self._wake(now_ns)

    @property
    def due_ns(self) -> int:
        """When something happens next if nobody begins to send; far off when all are parked."""
        return min((place.due_ns for place in self.places), default=_NEVER)

    @property
    def sleeping(self) -> bool:
        """Are all controllers parked?"""
        return self.due_ns == _NEVER

    def start(self, now_ns: int) -> None:
        """Let idle controllers that have something to send begin."""
        for place in self.places:
            if place.controller.idle and place.due_ns == _NEVER and place.wants():
                self._start(place, now_ns)

    def recover(self, name: str, now_ns: int) -> None:
        """Let a controller leave bus-off: from now on it counts recessive bits."""
        place = next(place for place in self.places if place.name == name)
        if place.controller.dormant:
            self._start(place, now_ns)

    def step(self) -> int:
        """Do what is due next; returns the time up to which the controllers have spoken."""
        now_ns = self.due_ns
        starts = [place for place in self.places if place.due_ns == now_ns and not place.sampling]
        for place in starts:
            if place.controller.idle and place.wants():
                self._start(place, now_ns)
            place.start_ns = now_ns
        for place in starts:
            self._drive(place)
        if starts:
            self._wake(now_ns)
        end_ns = now_ns
        for place in self.places:
            if place.due_ns == now_ns and place.sampling:
                end_ns = max(end_ns, self._sample(place))
        return end_ns

    def _start(self, place: Place, now_ns: int) -> None:
        place.controller.time_ns = now_ns
        place.controller.read(START)
        _begin_bit(place, now_ns)

    def _drive(self, place: Place) -> None:
        controller = place.controller
        place.level = controller.output
        if place.level == DOMINANT:
            self._dominant |= place.mask
        else:
            self._dominant &= ~place.mask
        if controller.parked:
            place.due_ns = _NEVER
        else:
            place.due_ns = place.start_ns + place.bit_ns * SAMPLE_POINT_PCT // 100
            place.sampling = True

    def _wake(self, now_ns: int) -> None:
        """Hard synchronisation: who waits for a frame begins a bit with the edge."""
        for place in self.places:
            if not place.controller.loose:
                continue
            seen, place.seen = place.seen, self._read(place)
            if seen == RECESSIVE and place.seen == DOMINANT:
                place.start_ns = place.frame_ns = now_ns
                place.due_ns = now_ns + place.bit_ns * SAMPLE_POINT_PCT // 100
                place.sampling = True

    def _sample(self, place: Place) -> int:
        end_ns = place.start_ns + place.bit_ns
        bit = place.seen = self._read(place)
        if place.misread:
            number = (place.start_ns - place.frame_ns) // place.bit_ns
            if number in place.misread:
                place.misread.remove(number)
                bit = 1 - bit
        place.controller.time_ns = end_ns
        place.controller.read(bit)
        place.due_ns = end_ns
        place.sampling = False
        return end_ns

    def _read(self, place: Place) -> int:
        if place.held:
            return DOMINANT
        dominant = self._dominant
        if not place.minus:
            return RECESSIVE if not dominant & place.plus else DOMINANT
        pull = (dominant & place.plus).bit_count() - (dominant & place.minus).bit_count()
        return DOMINANT if pull > 0 else RECESSIVE


def _begin_bit(place: Place, now_ns: int) -> None:
    place.start_ns = place.due_ns = place.frame_ns = now_ns
    place.sampling = False
