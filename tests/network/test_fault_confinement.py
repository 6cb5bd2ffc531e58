"""Fault confinement rule by rule, bit by bit.

Source of the rules: Bosch, "CAN with Flexible Data-Rate", specification 1.0 (April 2012), section 7, rules 1
to 12 (those of CAN 2.0 and ISO 11898-1); error and overload frames its sections 3.2.3 and 3.2.4. Times are in
bits from the start.
"""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.network.bit_line import BitLine, BitSources, BusNode
from sim.network.controller import Controller
from sim.network.error_counters import ErrorCounters
from sim.network.frames import DOMINANT, RECESSIVE, Frame, frame_bits, wire_bits

BIT_NS = 2000
# Frame 100 01 has 55 bits (see test_frames.py): the check sequence's delimiter is bit 45, the acknowledge
# slot bit 46, its delimiter bit 47, the end of frame bits 48 to 54, counted from 0.
SPEED = Frame(0x100, b"\x01")
CRC_DELIMITER, ACK_SLOT, ACK_DELIMITER, END_OF_FRAME = 45, 46, 47, 48


class Node:
    """A controller with frames to send, and a log of what happened to it."""

    def __init__(self, name, *frames, bit_ns=BIT_NS, tec=0, rec=0, misreads=()):
        self.name = name
        self.frames = list(frames)
        self.log = []
        self.counters = ErrorCounters()
        self.counters.transmit, self.counters.receive = tec, rec
        self.counters.off = tec >= 256
        self.controller = Controller(self, self.counters)
        self.bus_node = BusNode(name, self.controller, bit_ns, lambda: bool(self.frames))
        self.bus_node.misread = set(misreads)
        self.misreads_each_time = ()

    @property
    def errors(self):
        return self.counters.transmit, self.counters.receive

    def note(self, what):
        self.log.append((self.controller.time_ns / BIT_NS, what))

    def take(self):
        if not self.frames:
            return None
        self.bus_node.misread |= set(self.misreads_each_time)
        self.note("starts")
        return self.frames[0]

    def sent(self):
        self.note(f"sent {self.frames.pop(0)}")

    def failed(self, why):
        self.note("failed")

    def received(self, frame):
        self.note(f"received {frame}")

    def counted(self):
        if not self.log or self.log[-1][1] != self.errors:
            self.note(self.errors)

    def times(self, what):
        return [time for time, said in self.log if said == what]


class Disturber:
    """Something on the line that drives it dominant in certain bits."""

    idle = dormant = parked = loose = False

    def __init__(self, *dominant_bits):
        self.bits = frozenset(dominant_bits)
        self.number = 0
        self.life = self
        self.output = self._level()

    def _level(self):
        return DOMINANT if self.number in self.bits else RECESSIVE

    def send(self, bit):
        self.number += 1
        return self._level()


def run(*nodes, until=400, disturber=None, reach=None):
    """Let the nodes share a line, in lock-step from bit 0."""
    line = BitLine()
    for node in nodes:
        line.add(node.bus_node, 0)
    names = frozenset(node.name for node in nodes)
    if disturber:
        line.add(BusNode("disturber", disturber, BIT_NS, lambda: False), 0)
        names |= {"disturber"}
    whole = {name: BitSources(names) for name in names}
    line.set_sources(whole | (reach or {}), 0)
    line.start(0)
    go_on(line, until)
    return line


def go_on(line, until):
    """Bits up to a time; a node at rest with something to send begins."""
    while True:
        line.run(0, until * BIT_NS)
        if not line.resting and line.due_ns >= until * BIT_NS:
            return
        if line.resting:
            line.start(line.time_ns)
            if line.resting:
                return


def test_rule_1_and_2_who_finds_the_error_first_is_counted_most():
    """b misreads bit 25 and finds it out by the check sequence: 1 for the error, 8 for the others' flags.

    Its flag begins after the acknowledge delimiter, with the end of frame of the other two. They see it
    there and answer a bit later: c counts 1 (rule 1) and sees nothing after its own flag, b sees dominant
    (rule 2).
    """
    data = Frame(0x100, b"\x55")
    a, b, c = Node("a", data), Node("b", misreads=[25]), Node("c")
    run(a, b, c, until=60)
    found = frame_bits(data) - 7
    assert [(found, (0, 1)), (found + 7, (0, 9))] == b.log
    assert [(found + 1, "failed"), (found + 1, (8, 0))] == a.log[1:]
    assert (found + 1, (0, 1)) == c.log[-1]


def test_rule_2_needs_a_dominant_bit_after_the_flag():
    """All receivers find the same error at the same bit: 1 each, no 8."""
    a, b, c = Node("a", SPEED), Node("b"), Node("c")
    run(a, b, c, disturber=Disturber(CRC_DELIMITER), until=60)
    assert [(8, 0), (0, 1), (0, 1)] == [node.errors for node in (a, b, c)]


def test_rule_3_a_transmitter_counts_8():
    """A bit error of the transmitter; the error frame of 6 + 8 bits and the intermission, then again."""
    a, b = Node("a", SPEED), Node("b")
    run(a, b, disturber=Disturber(CRC_DELIMITER))
    failed = CRC_DELIMITER + 1
    again = failed + 6 + 8 + 3
    assert [
        (0, "starts"), (failed, "failed"), (failed, (8, 0)), (again, "starts"), (again + 55, f"sent {SPEED}"),
        (again + 55, (7, 0)),
    ] == a.log  # fmt: skip


@pytest.mark.parametrize("bit", [CRC_DELIMITER, ACK_DELIMITER, END_OF_FRAME + 5])
def test_error_frame_at_its_shortest(bit):
    """All find the error at once: flag 6, delimiter 8, intermission 3 (section 3.2.3)."""
    a, b = Node("a", SPEED), Node("b")
    run(a, b, disturber=Disturber(bit))
    assert [0, bit + 1 + 17] == a.times("starts")


def test_error_frame_at_its_longest():
    """c knows by the sixth bit of b's flag only, and adds six of its own: 12 + 8 + 3 bits."""
    a, b, c = Node("a", Frame(0x100, b"\x55")), Node("b", misreads=[9]), Node("c")
    run(a, b, c)
    assert [(10, (0, 1)), (17, (0, 9))] == b.log[:2]
    assert (16, (0, 1)) == c.log[0]
    assert [0, 10 + 23] == a.times("starts")


@given(st.integers(0, 0x7FF), st.binary(max_size=8), st.integers(0, 130))
def test_error_frames_take_17_to_23_bits(can_id, data, bit):
    """From the bit after the first error to the next start of frame, whatever b misreads (section 3.2.3)."""
    a, b, c = Node("a", Frame(can_id, data)), Node("b", misreads=[bit]), Node("c")
    run(a, b, c)
    starts = a.times("starts")
    found = [time for node in (a, b, c) for time, said in node.log if said in ((0, 1), (8, 0))]
    # beyond the frame nothing is misread; in its last bit it is an overload; a bit of its own start is no
    # start
    if 0 < bit < frame_bits(Frame(can_id, data)) - 1:
        assert 17 <= starts[1] - min(found) <= 23


def test_rule_3_exception_1_the_lone_node():
    """16 attempts of 121 bits until error passive, then one each 129 bits for ever; never bus-off.

    7E8 03 7F 22 31 CC CC CC CC has 102 stuffed bits: delimiter, slot, flag 6, delimiter 8, intermission 3
    give 121 bits; from the error that makes it passive on it adds suspend transmission, 8 bits. The counter
    is 128 after bit 1919, which is 3.838 ms at 500 kbit/s; 16 attempts take 1936 bits, 3.872 ms.
    """
    a = Node("a", Frame(0x7E8, bytes.fromhex("037F2231CCCCCCCC")))
    run(a, until=100_000)
    starts = a.times("starts")
    assert [121 * n for n in range(16)] == starts[:16]
    assert [1936 + 8 + 129 * n for n in range(len(starts) - 16)] == starts[16:]
    assert len(starts) > 700
    assert [1919] == a.times((128, 0))
    assert (128, 0) == a.errors
    assert "error passive" == a.counters.state
    bit_ms = 1 / 500
    assert [3.838, 3.872, 0.258] == [round(bits * bit_ms, 9) for bits in (1919, 16 * 121, 129)]


def test_rule_3_exception_1_ends_where_a_dominant_bit_shows():
    """The same passive transmitter whose flag is disturbed counts 8 more: another node is on the line."""
    frame = Frame(0x7E8, bytes.fromhex("037F2231CCCCCCCC"))
    in_the_flag = 103 + 3
    a = Node("a", frame, tec=128)
    run(a, disturber=Disturber(in_the_flag), until=125)
    assert (136, 0) == a.errors


def test_rule_3_exception_2_stuff_bit_in_arbitration():
    """A recessive stuff bit in the identifier, overwritten: an error flag, but nothing is counted."""
    frame = Frame(0x001)  # start of frame and four zeros: bit 5 is a stuff bit
    assert (0, 0, 0, 0, 0, 1) == wire_bits(frame)[:6]
    a, b = Node("a", frame), Node("b")
    run(a, b, disturber=Disturber(5), until=20)
    assert (0, 0) == a.errors
    assert (0, 1) == b.errors
    assert [6] == a.times("failed")


def test_lost_arbitration_is_no_error():
    """The higher identifier falls silent at its first recessive bit against a dominant one, and receives."""
    a, b = Node("a", Frame(0x123, b"\x01")), Node("b", SPEED)
    run(a, b)
    # 0x123 = 00100100011, 0x100 = 00100000000: bit 6 of the identifier; stuff bits come later
    assert [(0, "starts"), (7, "failed")] == a.log[:2]
    assert (54, f"received {SPEED}") in a.log
    assert [0, 58] == a.times("starts")
    assert ((0, 0), (0, 0)) == (a.errors, b.errors)


def test_rule_4_own_flag_overwritten():
    """A transmitter that reads a bit of its active flag recessive counts 8 more."""
    a, b = Node("a", SPEED, misreads=[CRC_DELIMITER, CRC_DELIMITER + 3]), Node("b")
    run(a, b, until=CRC_DELIMITER + 4)
    assert [46] == a.times((8, 0))
    assert [49] == a.times((16, 0))


def test_rule_5_a_receivers_own_flag_overwritten():
    """A receiver that reads a bit of its active flag recessive counts 8 more."""
    a, b = Node("a", SPEED), Node("b", misreads=[CRC_DELIMITER, CRC_DELIMITER + 3])
    run(a, b, until=CRC_DELIMITER + 4)
    assert [46] == b.times((0, 1))
    assert [49] == b.times((0, 9))


def test_rule_6_dominant_without_end():
    """8 for the 14th dominant bit in a row and for each further 8, for transmitter and receiver.

    The line sticks from the check sequence's delimiter, bit 45, on. Flags are bits 46 to 51, so that the 14th
    is bit 59; the receiver has had 8 for bit 52 (rule 2). LiveBus-off: 8 for the error, 31 times 8 of rule 6.
    """
    a, b = Node("a", SPEED), Node("b")
    run(a, b, disturber=Disturber(*range(CRC_DELIMITER, 1000)), until=900)
    ends = [60 + 8 * n for n in range(31)]
    assert [(46, (8, 0)), *((end, (16 + 8 * n, 0)) for n, end in enumerate(ends))] == a.log[-32:]
    assert "bus-off" == a.counters.state
    assert [(46, (0, 1)), (53, (0, 9)), (60, (0, 17)), (68, (0, 25))] == b.log[-35:][:4]
    assert (0, 255) == b.errors
    assert "error passive" == b.counters.state


def test_rule_6_after_a_passive_flag():
    """The passive flag is over after six equal bits; the 8th dominant bit after it counts 8."""
    a, b = Node("a", SPEED, tec=128), Node("b", rec=128)
    run(a, b, disturber=Disturber(*range(CRC_DELIMITER, 1000)), until=70)
    assert [46] == a.times((136, 0))
    assert [46 + 6 + 8] == a.times((144, 0))
    assert [46] == b.times((0, 129))
    assert [46 + 6 + 1] == b.times((0, 137))
    assert [46 + 6 + 8] == b.times((0, 145))


def test_rule_7_and_8_success():
    """A frame that gets through takes 1 off, down to 0; a receiver above 127 falls to 119..127."""
    nodes = [Node("a", SPEED, tec=5), Node("b", rec=5), Node("c"), Node("d", rec=200), Node("e", rec=127)]
    nodes.append(Node("f", rec=128))
    run(*nodes)
    assert [(4, 0), (0, 4), (0, 0)] == [node.errors for node in nodes[:3]]
    assert 119 <= nodes[3].counters.receive <= 127
    assert (0, 126) == nodes[4].errors
    assert nodes[3].counters.receive == nodes[5].counters.receive


def test_rule_9_the_error_that_makes_passive_still_shows():
    """From 127 (or 120) on the next error sends an active flag, which others see; the one after does not."""
    for tec, others in ((120, 1), (128, 0)):
        a, b = Node("a", SPEED, tec=tec), Node("b")
        # a alone misreads the delimiter as dominant; b notices only if a's flag is active
        a.bus_node.misread = {CRC_DELIMITER}
        run(a, b, until=CRC_DELIMITER + 12)
        assert (tec + 8, 0) == a.errors
        assert others == b.counters.receive
        assert "error passive" == a.counters.state


def test_rule_9_and_11_limits_of_passive():
    """Passive from 128 on either counter, active again when both are 127 or less."""
    counters = ErrorCounters()
    states = []
    for counters.transmit, counters.receive in ((127, 127), (128, 0), (0, 128), (127, 128), (127, 120)):
        states.append(counters.state)
    assert ["error active", *["error passive"] * 3, "error active"] == states


def test_rule_10_thirty_two_errors_to_bus_off():
    """32 attempts that all end in a bit error: error passive with the 16th, bus-off with the 32nd."""
    a, b = Node("a", SPEED), Node("b")
    a.misreads_each_time = (CRC_DELIMITER,)
    run(a, b, until=5000)
    assert 32 == len(a.times("starts")) == len(a.times("failed"))
    assert (256, 0) == a.errors
    assert "bus-off" == a.counters.state
    # Active: 46 bits; b sees the flag in the acknowledge delimiter, so that both flags fill 8; delimiter 8,
    # intermission 3; after the 16th 8 more to wait. Passive: the flag is over when b's acknowledgement and
    # six recessive bits have passed, 46 + 1 + 6 + 8 + 3 + 8; b notices nothing and receives the frame each
    # time.
    starts = [65 * n for n in range(16)] + [65 * 15 + 73 + 72 * n for n in range(16)]
    assert starts == a.times("starts")
    assert [starts[-1] + 46] == a.times((256, 0))
    assert 16 == len(b.times(f"received {SPEED}"))


def test_rule_12_recovery_takes_1408_recessive_bits():
    """Told to recover, it is back after 128 times 11 recessive bits, error active with both counters at 0."""
    a = Node("a", SPEED, tec=256)
    b = Node("b")
    line = run(a, b)
    assert "bus-off" == a.counters.state
    assert [] == a.times("starts")
    line.recover("a", 0)
    go_on(line, 2000)
    assert [(1408, (0, 0)), (1408, "starts")] == a.log[:2]
    assert [1408 + 55] == a.times(f"sent {SPEED}")
    bit_rates = (125, 250, 500, 1000)
    assert [11.264, 5.632, 2.816, 1.408] == [1408 / kbit_s for kbit_s in bit_rates]


def test_rule_12_a_dominant_bit_spoils_one_sequence_only():
    """A dominant bit 5 bits into a sequence costs these 6 bits, not the sequences before."""
    a = Node("a", SPEED, tec=256)
    line = BitLine()
    line.add(a.bus_node, 0)
    line.add(BusNode("disturber", Disturber(11 * 7 + 5), BIT_NS, lambda: False), 0)
    line.set_sources(dict.fromkeys(("a", "disturber"), BitSources(frozenset(("a", "disturber")))), 0)
    line.recover("a", 0)
    go_on(line, 1420)
    assert (1408 + 6, (0, 0)) == a.log[0]


def test_suspend_transmission():
    """Section 3.2.5: a passive transmitter waits 8 bits more, so that a higher identifier comes first."""
    first, second = Frame(0x100, b"\x01"), Frame(0x101, b"\x01")
    a, b = Node("a", first, second, tec=140), Node("b", Frame(0x200, b"\x01"))
    run(a, b)
    assert [0, 58 + 57 + 3] == a.times("starts")
    alone, listener = Node("a", first, second, tec=140), Node("b")
    run(alone, listener)
    assert [0, 58 + 8] == alone.times("starts")


def test_overload_is_not_counted():
    """A dominant first bit of the intermission: flag 6, delimiter 8, intermission 3; no counter moves."""
    a, b = Node("a", SPEED, Frame(0x101, b"\x01")), Node("b")
    run(a, b, disturber=Disturber(55))
    assert [0, 56 + 6 + 8 + 3] == a.times("starts")
    assert ((0, 0), (0, 0)) == (a.errors, b.errors)


def test_a_passive_node_of_twice_the_bit_rate_ruins_the_same_frames_again_and_again():
    """Three dominant bits end its passive flag, four recessive ones its delimiter, and it answers the next.

    That one is in its intermission: it answers with an overload flag, which is dominant in any state (section
    3.2.4; only error flags have a passive form), for three bits of the others. So a sender goes bus-off whose
    frame has that place, before recessive bits; a frame without it gets through at once.
    """

    def sent_with(data):
        sender, fast = Node("a", Frame(0x100, data), bit_ns=2 * BIT_NS), Node("w", rec=255)
        run(sender, fast, Node("c", bit_ns=2 * BIT_NS), until=6000)
        return sender, fast

    bits = "".join(map(str, wire_bits(Frame(0x100, b"\x2c"))))
    end = bits.index("0001111001") + 10
    ruined, _ = sent_with(b"\x2c")
    assert (2 * end, (8, 0)) == ruined.log[2]  # times are in bits of the fast one
    assert 32 == len(ruined.times("starts"))
    assert "bus-off" == ruined.counters.state
    through, fast = sent_with(b"\x14")
    assert ([0.0], (0, 0)) == (through.times("starts"), through.errors)
    assert ("error passive", 0) == (fast.counters.state, fast.counters.transmit)


def test_a_passive_sender_of_twice_the_bit_rate_keeps_the_others_from_sending():
    """It repeats without end, never bus-off, in gaps too short for others; bus-off ends 128 gaps later.

    Not acknowledged, a passive sender counts nothing (rule 3, exception 1). From its last bit on the line is
    recessive for delimiter 1, slot 1, flag 6, delimiter 8, intermission 3 and suspended transmission 8: 27 of
    its bits, 13.5 of the others. These need 17 to send (flag 6, delimiter 8, intermission 3), and 11 for one
    of the 128 sequences of rule 12. In the middle of their delimiter's last bit its next start of frame makes
    them send overload flags; to these it loses arbitration, which is no error, and it tries once more.
    """
    fast = Node("w", SPEED, rec=255)
    waits, off = Node("b", bit_ns=2 * BIT_NS, rec=255), Node("c", bit_ns=2 * BIT_NS, tec=256)
    line = run(fast, waits, off, until=60)
    waits.frames.append(Frame(0x001))
    line.recover("c", 60 * BIT_NS)
    go_on(line, 20_000)
    back = off.times((0, 0))[0]
    starts = [start for start in fast.times("starts") if start <= back]
    whole = starts[::2]  # every other attempt ends in the arbitration
    assert 1 + 1 + 6 + 8 + 3 + 8 == whole[0] + starts[1] - CRC_DELIMITER
    assert {96, 97} >= {after - before for before, after in pairwise(whole)}
    assert ("error passive", (0, 255)) == (fast.counters.state, fast.errors)
    assert ("error passive", (0, 255)) == (waits.counters.state, waits.errors)
    assert [] == waits.times("starts")
    assert 128 == sum(start >= 60 for start in whole)


@pytest.mark.parametrize("cause", ["overload", "error"])
def test_delimiters_may_be_spoiled_without_end(cause):
    """Thousands of flags one after the other, as if bits are misread for hours, and rest afterwards."""
    node = Node("b")
    node.controller.read(DOMINANT)  # a start of frame, and no stuff bit after it
    bits = [DOMINANT] * 5
    free = 6 if cause == "overload" else 5  # a dominant last bit of the delimiter is no error
    bits += [*[DOMINANT] * 6, RECESSIVE, *[RECESSIVE] * free, DOMINANT] * 5000
    bits += [*[DOMINANT] * 6, RECESSIVE, *[RECESSIVE] * 7, *[RECESSIVE] * 3]
    driven = [node.controller.read(bit) for bit in bits]
    assert node.controller.idle
    if cause == "overload":
        assert (0, 1) == node.errors
        assert 6 * 5001 == driven.count(DOMINANT)
    else:
        assert node.counters.receive >= 128


def test_dominant_last_bit_of_the_end_of_frame():
    """Receivers have the frame by then, the transmitter repeats it: they get it twice (section 3.2.1)."""
    a, b = Node("a", SPEED), Node("b")
    run(a, b, disturber=Disturber(END_OF_FRAME + 6))
    assert (7, 0) == a.errors
    assert [54, 55 + 17 + 54] == b.times(f"received {SPEED}")


def test_dominant_third_bit_of_the_intermission_is_a_start_of_frame():
    """A node that waits to send joins in with its identifier (section 3.2.5)."""
    a, b = Node("a", SPEED, SPEED), Node("b")
    run(a, b, disturber=Disturber(57))
    assert [0, 58] == a.times("starts")
    assert [55, 57 + 55] == a.times(f"sent {SPEED}")


FRAMES = st.lists(
    st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8)), min_size=1, max_size=4,
    unique_by=lambda drawn: drawn[0],
)  # fmt: skip
MISREADINGS = st.tuples(st.integers(0, 3), st.integers(0, 130))  # by which node, which bit


def misread(drawn, flips):
    """Nodes that have sent these frames to each other, each misreading some bits."""
    nodes = [Node(f"n{number}") for number in range(4)]
    for node, (can_id, data) in zip(nodes, drawn, strict=False):
        node.frames.append(Frame(can_id, data))
    for number, bit in flips:
        nodes[number].bus_node.misread.add(bit)
    line = run(*nodes, until=20_000)
    assert line.resting
    return nodes


@settings(max_examples=150)
@given(FRAMES, MISREADINGS)
def test_if_one_node_misreads_one_bit_every_frame_arrives_in_the_end(drawn, flip):
    """Random frames, one bit misread by one node: all get through, unchanged."""
    frames = [Frame(can_id, data) for can_id, data in drawn]
    for number, node in enumerate(misread(drawn, [flip])):
        heard = {said for _, said in node.log if str(said).startswith("received")}
        assert {f"received {frame}" for bus_node, frame in enumerate(frames) if bus_node != number} == heard


@settings(max_examples=150)
@given(FRAMES, st.lists(MISREADINGS, max_size=6))
def test_whatever_is_misread_all_come_to_rest(drawn, flips):
    """Two misreadings can cheat the protocol: stuffing takes the checksum its distance, and a node that
    misses the start of a frame may miss all of it (E. Tran, Multi-bit error vulnerabilities in the CAN
    protocol, 1999; from memory). Everything is sent all the same, and no node stays in an error state.
    """
    for node in misread(drawn, flips):
        assert [] == node.frames
        assert "error active" == node.counters.state
