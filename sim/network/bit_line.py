"""Controllers on one pair of wires, bit by bit: for buses on which something is wrong.

Each controller reads dominant when the dominant bits that reach it outweigh those that reach it the wrong way
round (`BitSources`), 80 % into its own bit, and answers with its next bit. Controllers of different bit rates
share one line; each counts time in its own bits and restarts them with the first edge of a frame (hard
synchronization). The line rests while all controllers are parked.

Not modeled: resynchronization within a frame, which only matters between bit rates that are nearly the same;
clock drift; time that signals take along the wire.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from sim.network.clock import FOREVER_NS
from sim.network.controller import START, Controller
from sim.network.frames import DOMINANT, RECESSIVE
from sim.wiring.segments import SAMPLE_POINT_PCT


@dataclass(frozen=True, slots=True)
class BitSources:
    """Whose dominant bits one controller reads: names, its own among them when it reads itself back.

    against: whose pull the other way, so that one of each cancels out. held: it always reads dominant.
    """

    of: frozenset[str]
    against: frozenset[str] = frozenset()
    held: bool = False


@dataclass(slots=True, eq=False)
class BitClock:
    """The bits of controllers that go in step: begun at start_ns, read at due_ns or over then.

    reading: what is due is the sample point, else the start of the next bit. parking: a node is parked
    from the next bit on.
    """

    bit_ns: int
    start_ns: int
    due_ns: int
    reading: bool = False
    parking: bool = False
    nodes: list[BusNode] = field(default_factory=list)
    sample_ns: int = 0  # from the start of a bit to where it is read

    def __post_init__(self) -> None:
        self.sample_ns = sample_ns(self.bit_ns)

    @classmethod
    def at(cls, bit_ns: int, start_ns: int, *, reading: bool = False) -> BitClock:
        """Bits that begin at a time, or that began there and are to be read."""
        return cls(bit_ns, start_ns, start_ns + (sample_ns(bit_ns) if reading else 0), reading)

    def comes_before(self, other: BitClock) -> bool:
        """Bits are begun before others are read."""
        return self.due_ns < other.due_ns or (
            self.due_ns == other.due_ns and other.reading and not self.reading
        )


@dataclass(slots=True, eq=False)
class BusNode:
    """A controller on the line, and what reaches it.

    wants: asks its host whether it has something to send. misread: numbers of bits, counted from the start of
    the frame, that noise inverts for it. late: it came in the middle of something, and takes part
    from the next frame on. clock: None while it is parked.
    """

    name: str
    controller: Controller
    bit_ns: int
    wants: Callable[[], bool]
    clock: BitClock | None = None
    level: int = RECESSIVE  # what it drives
    seen: int = RECESSIVE  # what it read last
    misread: set[int] = field(default_factory=set)
    late: bool = False
    frame_ns: int = 0  # start of the frame that it is in
    mask: int = 0
    plus: int = 0
    minus: int = 0
    held: bool = False
    odd: bool = False  # what it reads depends on more than which nodes are dominant


class BitLine:
    """The wires. Times are whole nanoseconds. time_ns: of what was done last.

    interrupted: set it from a host's call to let `run` return after the bit. on_level: told of each change
    of who drives dominant, as (time in ns, names).
    """

    def __init__(self) -> None:
        self.nodes: list[BusNode] = []
        self.interrupted = False
        self.on_level: Callable[[int, tuple[str, ...]], None] | None = None
        self.time_ns = 0
        self._clocks: list[BitClock] = []
        self._dominant = 0  # mask of those that drive dominant

    def add(self, node: BusNode, now_ns: int) -> None:
        """Join a controller: parked, or in the middle of something."""
        node.mask = 1 << len(self.nodes)
        self.nodes.append(node)
        clock, node.clock = node.clock, None
        if not node.controller.parked:
            self._join_clock(node, clock or BitClock.at(node.bit_ns, now_ns))

    def replace(self, gone: BusNode, node: BusNode) -> None:
        """A controller that has been reset, in the place of the old one."""
        self.nodes[self.nodes.index(gone)] = node
        node.mask, node.plus, node.minus = gone.mask, gone.plus, gone.minus
        node.held, node.odd = gone.held, gone.odd
        self._leave_clock(gone)
        self._dominant &= ~node.mask

    def set_sources(self, reach: dict[str, BitSources], now_ns: int) -> None:
        """Set whose dominant bits each controller reads from now on."""
        masks = {node.name: node.mask for node in self.nodes}
        self._dominant = sum(node.mask for node in self.nodes if node.level == DOMINANT)
        for node in self.nodes:
            mine = reach[node.name]
            node.plus = sum(masks[name] for name in mine.of if name in masks)
            node.minus = sum(masks[name] for name in mine.against if name in masks)
            node.held = mine.held
            node.odd = mine.held or node.minus != 0
            if node.clock is None and not node.controller.parked:
                self._join_clock(node, BitClock.at(node.bit_ns, now_ns))
        self._wake(now_ns)

    @property
    def resting(self) -> bool:
        """Does no controller need bits?"""
        return not self._clocks

    @property
    def due_ns(self) -> int:
        """When something happens next if no controller begins to send."""
        return min((clock.due_ns for clock in self._clocks), default=FOREVER_NS)

    def start(self, now_ns: int) -> None:
        """Let parked controllers that have something to send begin."""
        for node in self.nodes:
            if node.clock is None and node.controller.idle and not node.late and node.wants():
                self._start(node, now_ns)

    def let_in(self) -> None:
        """All are at rest or a frame begins: late nodes take part now."""
        for node in self.nodes:
            node.late = False

    def recover(self, name: str, now_ns: int) -> None:
        """Let a controller leave bus-off: from now on it counts recessive bits."""
        node = next(node for node in self.nodes if node.name == name)
        if node.controller.dormant:
            self._start(node, now_ns)

    def run(self, now_ns: int, before_ns: int) -> None:
        """Do what is due up to now, and what is due before another time unless interrupted or at rest."""
        self.interrupted = False
        while self._clocks:
            clock = self._clocks[0]
            for other in self._clocks:
                if other is not clock and other.comes_before(clock):
                    clock = other
            due_ns = clock.due_ns
            if due_ns > now_ns and (due_ns >= before_ns or self.interrupted):
                return
            self.time_ns = due_ns
            if clock.reading:
                self._read(clock)
            else:
                self._begin_bit(clock, due_ns)

    def _begin_bit(self, clock: BitClock, now_ns: int) -> None:
        """All drive the next bit; a parked node leaves, or sends if the line is not at rest."""
        clock.start_ns, clock.due_ns, clock.reading = now_ns, now_ns + clock.sample_ns, True
        before = self._dominant
        if clock.parking:
            self._park(clock, now_ns)
        dominant = self._dominant
        for node in clock.nodes:
            level = node.controller.output
            if level != node.level:
                node.level = level
                dominant ^= node.mask
        self._dominant = dominant
        if dominant != before:
            if self.on_level:
                self.on_level(now_ns, tuple(one.name for one in self.nodes if one.mask & dominant))
            self._wake(now_ns)

    def _park(self, clock: BitClock, now_ns: int) -> None:
        clock.parking = False
        busy = [node for node in clock.nodes if not node.controller.parked]
        at_rest = not busy and len(self._clocks) == 1
        for node in [node for node in clock.nodes if node.controller.parked]:
            if node.controller.idle and not at_rest and node.wants():
                self._send(node, now_ns)
                continue
            self._leave_clock(node)
            if node.level == DOMINANT:
                node.level = RECESSIVE
                self._dominant &= ~node.mask

    def _read(self, clock: BitClock) -> None:
        """All read the bit and decide what they drive next."""
        end_ns = clock.start_ns + clock.bit_ns
        clock.due_ns, clock.reading = end_ns, False
        dominant = self._dominant
        held = False
        for node in clock.nodes:
            controller = node.controller
            if node.odd or node.misread:
                bit = self._reads(node)
                held = held or node.held
                if node.misread:
                    bit = _misread(node, clock, bit)
            else:
                bit = DOMINANT if dominant & node.plus else RECESSIVE
            controller.time_ns = end_ns
            controller.output = controller.life.send(bit)
            node.seen = bit
            if controller.idle or controller.dormant:
                clock.parking = True
        if held:
            for node in [one for one in clock.nodes if one.held and one.controller.stalled]:
                self._leave_clock(node)

    def _start(self, node: BusNode, now_ns: int) -> None:
        self._send(node, now_ns)
        self._join_clock(node, BitClock.at(node.bit_ns, now_ns))

    def _send(self, node: BusNode, now_ns: int) -> None:
        self.let_in()
        node.controller.time_ns = node.frame_ns = now_ns
        node.controller.read(START)

    def _wake(self, now_ns: int) -> None:
        """Hard synchronization: a node that waits for a frame begins a bit with the edge."""
        for node in self.nodes:
            if node.controller.loose and not node.late:
                seen, node.seen = node.seen, self._reads(node)
                if seen == RECESSIVE and node.seen == DOMINANT:
                    self._synchronise(node, now_ns)

    def _synchronise(self, node: BusNode, now_ns: int) -> None:
        node.frame_ns = now_ns
        clock = node.clock
        if clock is None or clock.start_ns != now_ns:
            self._leave_clock(node)
            self._join_clock(node, BitClock.at(node.bit_ns, now_ns, reading=True))

    def _join_clock(self, node: BusNode, wanted: BitClock) -> None:
        """Go in step with others of the same bit, or alone."""
        for clock in self._clocks:
            if (clock.bit_ns, clock.start_ns, clock.due_ns, clock.reading) == (
                wanted.bit_ns,
                wanted.start_ns,
                wanted.due_ns,
                wanted.reading,
            ):
                break
        else:
            clock = BitClock(wanted.bit_ns, wanted.start_ns, wanted.due_ns, wanted.reading)
            self._clocks.append(clock)
        clock.nodes.append(node)
        clock.parking = clock.parking or node.controller.parked
        node.clock = clock

    def _leave_clock(self, node: BusNode) -> None:
        clock, node.clock = node.clock, None
        if clock is not None and node in clock.nodes:
            clock.nodes.remove(node)
            if not clock.nodes:
                self._clocks.remove(clock)

    def _reads(self, node: BusNode) -> int:
        if node.held:
            return DOMINANT
        dominant = self._dominant
        pull = (dominant & node.plus).bit_count() - (dominant & node.minus).bit_count()
        return DOMINANT if pull > 0 else RECESSIVE


def _misread(node: BusNode, clock: BitClock, bit: int) -> int:
    number = (clock.start_ns - node.frame_ns) // clock.bit_ns
    if number in node.misread:
        node.misread.remove(number)
        return 1 - bit
    return bit


def sample_ns(bit_ns: int) -> int:
    """From the start of a bit to where it is read."""
    return bit_ns * SAMPLE_POINT_PCT // 100
