"""Controllers on one pair of wires, bit by bit: for buses on which something is wrong.

Each controller reads dominant when the dominant bits that reach it outweigh those that reach it the wrong way
round (`Reach`), 80 % into its own bit, and answers with its next bit. Controllers of different bit rates
stand on one line; each counts time in its own bits and starts them anew with the first edge of a frame (hard
synchronisation). The line rests while all controllers are parked.

Not modelled: resynchronisation within a frame, which only matters between bit rates that are nearly the same;
clock drift; time that signals take along the wire.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from sim.network.controller import DOMINANT, RECESSIVE, START, Controller

# Share of a bit before it is read: common practice, and what `sim.wiring.connectivity` takes.
SAMPLE_POINT_PCT = 80
NO_TIME = 1 << 62  # a time behind all others


@dataclass(frozen=True, slots=True)
class Reach:
    """Whose dominant bits one controller reads: names, its own among them when it reads itself back.

    against: whose pull the other way, so that one of each cancels out. held: it reads dominant for ever.
    """

    of: frozenset[str]
    against: frozenset[str] = frozenset()
    held: bool = False


@dataclass(slots=True, eq=False)
class Pace:
    """The bits of controllers that go in step: begun at start_ns, read at due_ns or over then.

    reading: what is due is the sample point, else the start of the next bit. parking: somebody is parked from
    the next bit on.
    """

    bit_ns: int
    start_ns: int
    due_ns: int
    reading: bool = False
    parking: bool = False
    places: list[Place] = field(default_factory=list)
    sample_ns: int = 0  # from the start of a bit to where it is read

    def __post_init__(self) -> None:
        self.sample_ns = sample_ns(self.bit_ns)

    @classmethod
    def at(cls, bit_ns: int, start_ns: int, *, reading: bool = False) -> Pace:
        """Bits that begin at a time, or that began there and are to be read."""
        return cls(bit_ns, start_ns, start_ns + (sample_ns(bit_ns) if reading else 0), reading)

    def comes_before(self, other: Pace) -> bool:
        """Bits are begun before others are read."""
        return self.due_ns < other.due_ns or (
            self.due_ns == other.due_ns and other.reading and not self.reading
        )


@dataclass(slots=True, eq=False)
class Place:
    """A controller on the line, and what reaches it.

    wants: asks its host whether it has something to send. misread: numbers of bits, counted from the start of
    the frame, that a disturbance turns round for it. late: it came in the middle of something, and takes part
    from the next frame on. pace: None while it is parked.
    """

    name: str
    controller: Controller
    bit_ns: int
    wants: Callable[[], bool]
    pace: Pace | None = None
    level: int = RECESSIVE  # what it drives
    seen: int = RECESSIVE  # what it read last
    misread: set[int] = field(default_factory=set)
    late: bool = False
    frame_ns: int = 0  # start of the frame that it is in
    mask: int = 0
    plus: int = 0
    minus: int = 0
    held: bool = False
    odd: bool = False  # more is to be looked at than who is dominant


class Line:
    """The wires. Times are whole nanoseconds. time_ns: of what was done last.

    interrupted: set it from a host's call to let `run` return behind the bit. on_level: told of each change
    of who drives dominant, as (time in ns, names).
    """

    def __init__(self) -> None:
        self.places: list[Place] = []
        self.interrupted = False
        self.on_level: Callable[[int, tuple[str, ...]], None] | None = None
        self.time_ns = 0
        self._paces: list[Pace] = []
        self._dominant = 0  # mask of those that drive dominant

    def add(self, place: Place, now_ns: int) -> None:
        """Join a controller: parked, or in the middle of something."""
        place.mask = 1 << len(self.places)
        self.places.append(place)
        pace, place.pace = place.pace, None
        if not place.controller.parked:
            self._keep_pace(place, pace or Pace.at(place.bit_ns, now_ns))

    def replace(self, gone: Place, place: Place) -> None:
        """A controller that has been reset, in the place of the old one."""
        self.places[self.places.index(gone)] = place
        place.mask, place.plus, place.minus = gone.mask, gone.plus, gone.minus
        place.held, place.odd = gone.held, gone.odd
        self._leave_pace(gone)
        self._dominant &= ~place.mask

    def set_reach(self, reach: dict[str, Reach], now_ns: int) -> None:
        """Who reads whom from now on, for every controller on the line."""
        masks = {place.name: place.mask for place in self.places}
        self._dominant = sum(place.mask for place in self.places if place.level == DOMINANT)
        for place in self.places:
            mine = reach[place.name]
            place.plus = sum(masks[name] for name in mine.of if name in masks)
            place.minus = sum(masks[name] for name in mine.against if name in masks)
            place.held = mine.held
            place.odd = mine.held or place.minus != 0
            if place.pace is None and not place.controller.parked:
                self._keep_pace(place, Pace.at(place.bit_ns, now_ns))
        self._wake(now_ns)

    @property
    def resting(self) -> bool:
        """Does nobody need bits?"""
        return not self._paces

    @property
    def due_ns(self) -> int:
        """When something happens next if nobody begins to send."""
        return min((pace.due_ns for pace in self._paces), default=NO_TIME)

    def start(self, now_ns: int) -> None:
        """Let parked controllers that have something to send begin."""
        for place in self.places:
            if place.pace is None and place.controller.idle and not place.late and place.wants():
                self._start(place, now_ns)

    def let_in(self) -> None:
        """All are at rest or a frame begins: who came late takes part now."""
        for place in self.places:
            place.late = False

    def recover(self, name: str, now_ns: int) -> None:
        """Let a controller leave bus-off: from now on it counts recessive bits."""
        place = next(place for place in self.places if place.name == name)
        if place.controller.dormant:
            self._start(place, now_ns)

    def run(self, now_ns: int, before_ns: int) -> None:
        """Do what is due up to now, and what is due before another time unless interrupted or at rest."""
        self.interrupted = False
        while self._paces:
            pace = self._paces[0]
            for other in self._paces:
                if other is not pace and other.comes_before(pace):
                    pace = other
            due_ns = pace.due_ns
            if due_ns > now_ns and (due_ns >= before_ns or self.interrupted):
                return
            self.time_ns = due_ns
            if pace.reading:
                self._read(pace)
            else:
                self._begin_bit(pace, due_ns)

    def _begin_bit(self, pace: Pace, now_ns: int) -> None:
        """Everybody drives the next bit; who is parked now leaves, or sends if the line is not at rest."""
        pace.start_ns, pace.due_ns, pace.reading = now_ns, now_ns + pace.sample_ns, True
        before = self._dominant
        if pace.parking:
            self._park(pace, now_ns)
        dominant = self._dominant
        for place in pace.places:
            level = place.controller.output
            if level != place.level:
                place.level = level
                dominant ^= place.mask
        self._dominant = dominant
        if dominant != before:
            if self.on_level:
                self.on_level(now_ns, tuple(one.name for one in self.places if one.mask & dominant))
            self._wake(now_ns)

    def _park(self, pace: Pace, now_ns: int) -> None:
        pace.parking = False
        busy = [place for place in pace.places if not place.controller.parked]
        at_rest = not busy and len(self._paces) == 1
        for place in [place for place in pace.places if place.controller.parked]:
            if place.controller.idle and not at_rest and place.wants():
                self._send(place, now_ns)
                continue
            self._leave_pace(place)
            if place.level == DOMINANT:
                place.level = RECESSIVE
                self._dominant &= ~place.mask

    def _read(self, pace: Pace) -> None:
        """Everybody reads the bit and makes up its mind about the next."""
        end_ns = pace.start_ns + pace.bit_ns
        pace.due_ns, pace.reading = end_ns, False
        dominant = self._dominant
        held = False
        for place in pace.places:
            controller = place.controller
            if place.odd or place.misread:
                bit = self._reads(place)
                held = held or place.held
                if place.misread:
                    bit = _misread(place, pace, bit)
            else:
                bit = DOMINANT if dominant & place.plus else RECESSIVE
            controller.time_ns = end_ns
            controller.output = controller.life.send(bit)
            place.seen = bit
            if controller.idle or controller.dormant:
                pace.parking = True
        if held:
            for place in [one for one in pace.places if one.held and one.controller.stalled]:
                self._leave_pace(place)

    def _start(self, place: Place, now_ns: int) -> None:
        self._send(place, now_ns)
        self._keep_pace(place, Pace.at(place.bit_ns, now_ns))

    def _send(self, place: Place, now_ns: int) -> None:
        self.let_in()
        place.controller.time_ns = place.frame_ns = now_ns
        place.controller.read(START)

    def _wake(self, now_ns: int) -> None:
        """Hard synchronisation: who waits for a frame begins a bit with the edge."""
        for place in self.places:
            if place.controller.loose and not place.late:
                seen, place.seen = place.seen, self._reads(place)
                if seen == RECESSIVE and place.seen == DOMINANT:
                    self._synchronise(place, now_ns)

    def _synchronise(self, place: Place, now_ns: int) -> None:
        place.frame_ns = now_ns
        pace = place.pace
        if pace is None or pace.start_ns != now_ns:
            self._leave_pace(place)
            self._keep_pace(place, Pace.at(place.bit_ns, now_ns, reading=True))

    def _keep_pace(self, place: Place, wanted: Pace) -> None:
        """Go in step with others of the same bit, or alone."""
        for pace in self._paces:
            if (pace.bit_ns, pace.start_ns, pace.due_ns, pace.reading) == (
                wanted.bit_ns,
                wanted.start_ns,
                wanted.due_ns,
                wanted.reading,
            ):
                break
        else:
            pace = Pace(wanted.bit_ns, wanted.start_ns, wanted.due_ns, wanted.reading)
            self._paces.append(pace)
        pace.places.append(place)
        pace.parking = pace.parking or place.controller.parked
        place.pace = pace

    def _leave_pace(self, place: Place) -> None:
        pace, place.pace = place.pace, None
        if pace is not None and place in pace.places:
            pace.places.remove(place)
            if not pace.places:
                self._paces.remove(pace)

    def _reads(self, place: Place) -> int:
        if place.held:
            return DOMINANT
        dominant = self._dominant
        pull = (dominant & place.plus).bit_count() - (dominant & place.minus).bit_count()
        return DOMINANT if pull > 0 else RECESSIVE


def _misread(place: Place, pace: Pace, bit: int) -> int:
    number = (pace.start_ns - place.frame_ns) // pace.bit_ns
    if number in place.misread:
        place.misread.remove(number)
        return 1 - bit
    return bit


def sample_ns(bit_ns: int) -> int:
    """From the start of a bit to where it is read."""
    return bit_ns * SAMPLE_POINT_PCT // 100
