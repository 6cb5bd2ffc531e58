"""Diagnostic messages over frames: worked exchanges, an independent peer, time limits and disturbances."""

from functools import partial
from itertools import pairwise

import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import Frame
from sim.network.isotp import IsoTpLink, TransportError, gap_of
from sim.wiring.segments import Segment

TESTER, ECM = 0x7E0, 0x7E8


class Conversation:
    """A tester's link (or none) and an ECM's link on a 500 kbit/s bus; all frames and results are noted."""

    def __init__(self, tester=True):
        self.env = NanosecondEnvironment()
        self.network = CanNetwork(self.env)
        self.together = [Segment(("ecm", "tester"))]
        self.network.set_segments(self.together)
        self.frames: list[tuple[str, float, float]] = []  # text, start and end in ms
        self.network.tap = lambda start_s, end_s, frame, sender: self.frames.append(
            (f"{frame.can_id:X} {frame.data.hex().upper()}", round(start_s * 1000, 6), round(end_s * 1000, 6))
        )
        self.results: list[tuple[str, object, float]] = []
        self.ecm = self.link("ecm", ECM, TESTER)
        self.tester = self.link("tester", TESTER, ECM) if tester else None

    def link(self, channel, tx_id, rx_id):
        def note(result):
            self.results.append((channel, result, round(self.env.now * 1000, 6)))

        link = IsoTpLink(self.env, partial(self.network.send, channel), tx_id, rx_id, note, note)
        self.network.listen(channel, lambda frame, sender, time_s: link.frame(frame))
        return link

    def say(self, time_s, text):
        """Send one raw frame as the tester at a time, for example "7E0 300000"."""

        def process():
            yield self.env.timeout(time_s - self.env.now)
            identifier, data = text.split()
            self.network.send("tester", Frame(int(identifier, 16), bytes.fromhex(data)))

        self.env.process(process())

    def at(self, time_s, action):
        def process():
            yield self.env.timeout(time_s - self.env.now)
            action()

        self.env.process(process())

    def run(self, until_s=5.0):
        self.env.run(until=until_s)
        return [text for text, _, _ in self.frames]


# Run on can-isotp 2.0.7 with padding 0xCC: who sends, message, frames of both sides.
EXCHANGES = [
    ("tester", "190208", ["7E0 03190208CCCCCCCC"]),
    (
        "ecm",
        "5902FFC1008708C121870956212F2F",
        ["7E8 100F5902FFC10087", "7E0 300000CCCCCCCCCC", "7E8 2108C12187095621", "7E8 222F2FCCCCCCCCCC"],
    ),
    (
        "ecm",
        "430601430196023402CD03570A24",
        ["7E8 100E430601430196", "7E0 300000CCCCCCCCCC", "7E8 21023402CD03570A", "7E8 2224CCCCCCCCCCCC"],
    ),
    (
        "ecm",  # a vehicle identification number of 17 characters: the last frame is exactly full
        "490201" + b"BUSBAY00DEMO00001".hex(),
        [
            "7E8 1014490201425553",
            "7E0 300000CCCCCCCCCC",
            "7E8 2142415930304445",
            "7E8 224D4F3030303031",
        ],
    ),
]


@pytest.mark.parametrize(("sender", "message", "frames"), EXCHANGES)
def test_worked_exchanges(sender, message, frames):
    """Frame by frame what an independent library sends, and the message arrives whole."""
    talk = Conversation()
    getattr(talk, sender).send(bytes.fromhex(message))
    assert frames == talk.run()
    receiver = "ecm" if sender == "tester" else "tester"
    assert [(receiver, bytes.fromhex(message))] == [result[:2] for result in talk.results]


class Peer:
    """can-isotp as the ECM: fed from the network's frames, its frames put on the network."""

    def __init__(self, env, network, **params):
        self.inbox = []
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=ECM, rxid=TESTER)
        self.errors = []
        self.stack = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self.inbox.pop(0) if self.inbox else None,
            txfn=lambda message: network.send("ecm", Frame(message.arbitration_id, bytes(message.data))),
            address=address,
            error_handler=self.errors.append,
            params={"tx_padding": 0xCC, "blocking_send": False, **params},
        )
        network.listen("ecm", self.hear)
        env.process(self.live(env))

    def hear(self, frame, sender, time_s):
        self.inbox.append(isotp.CanMessage(arbitration_id=frame.can_id, data=frame.data, dlc=len(frame.data)))
        self.stack.process()

    def live(self, env):
        while True:
            self.stack.process()
            yield env.timeout(0.0005)


@settings(max_examples=40)
@given(
    st.integers(1, 300).flatmap(lambda size: st.binary(min_size=size, max_size=size)),
    st.integers(0, 20),
)
def test_both_ways_with_an_independent_peer(message, block_size):
    """Messages of any length pass to can-isotp and back, whatever block size it asks for."""
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    network.set_segments([Segment(("ecm", "tester"))])
    peer = Peer(env, network, blocksize=block_size, stmin=0)
    received, errors = [], []
    link = IsoTpLink(env, partial(network.send, "tester"), TESTER, ECM, received.append, errors.append)
    network.listen("tester", lambda frame, sender, time_s: link.frame(frame))
    link.send(message)
    env.run(until=1.0)
    echoed = peer.stack.recv()
    assert message == bytes(echoed or b"")
    peer.stack.send(message[::-1])
    env.run(until=2.0)
    assert [message[::-1]] == received
    assert ([], []) == (errors, peer.errors)


@pytest.mark.parametrize("size", [7, 8, 4095, 4096, 5000])
def test_lengths_around_the_limits(size):
    """Single, first with 12-bit and first with 32-bit length, to the independent peer and back if it fits."""
    message = bytes(n % 251 for n in range(size))
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    network.set_segments([Segment(("ecm", "tester"))])
    peer = Peer(env, network, blocksize=0, stmin=0, max_frame_size=6000)
    received = []
    link = IsoTpLink(env, partial(network.send, "tester"), TESTER, ECM, received.append)
    network.listen("tester", lambda frame, sender, time_s: link.frame(frame))
    link.send(message)
    peer.stack.send(message)
    env.run(until=3.0)
    assert message == bytes(peer.stack.recv() or b"")
    assert ([message] if size <= 4095 else []) == received


@pytest.mark.parametrize(("size", "answered"), [(20, False), (4095, False), (4096, True)])
def test_a_long_first_frame_for_a_short_message_is_ignored(size, answered):
    """The escape to a 32-bit length is for more than 4095 bytes only; otherwise no flow control follows.

    Source: `validate_ff_dl` of the open package `uds` (mdabrowski1990/uds, uds/can/first_frame.py) takes a
    long length of 4095 or less for incompatible with ISO 15765. Too long a message gets an overflow.
    """
    talk = Conversation(tester=False)
    talk.say(0.001, f"7E0 1000{size:08X}3E00")
    assert (["7E8 320000"] if answered else []) == [text[:10] for text in talk.run()[1:]]


def test_gap_and_block_size_are_kept():
    """Blocks of two, and 5 ms from the end of one frame to the start of the next."""
    talk = Conversation(tester=False)
    talk.ecm.send(bytes(range(7, 7 + 34)))
    talk.say(0.001, "7E0 300205")
    talk.say(0.02, "7E0 300205")
    frames = talk.run()
    assert [
        "7E8 10220708090A0B0C",
        "7E0 300205",
        "7E8 210D0E0F10111213",
        "7E8 221415161718191A",
        "7E0 300205",
        "7E8 231B1C1D1E1F2021",
        "7E8 2422232425262728",
    ] == frames
    # the intermission of 6 µs if no frame has to wait
    pauses = [round(after[1] - before[2], 6) for before, after in pairwise(talk.frames)]
    assert [0.006, 5.0, 0.006, 5.0] == [*pauses[1:3], *pauses[4:]]


def test_messages_queue_up():
    """A second message waits for the first; both directions run at once."""
    talk = Conversation()
    talk.tester.send(bytes(20))
    talk.tester.send(b"\x3e\x00")
    talk.ecm.send(bytes(30))
    talk.run()
    assert [("ecm", bytes(20)), ("ecm", b"\x3e\x00"), ("tester", bytes(30))] == sorted(
        (result[:2] for result in talk.results), key=lambda result: (result[0], -len(result[1]))
    )


def test_only_the_own_identifier_is_heard():
    """A frame with another identifier is ignored, whatever it carries."""
    talk = Conversation(tester=False)
    talk.say(0.001, "7E0 023E00CCCCCCCCCC")
    talk.say(0.002, "7DF 100A010203040506")
    talk.say(0.003, "7E1 023E00CCCCCCCCCC")
    assert 3 == len(talk.run())
    assert [("ecm", b"\x3e\x00")] == [result[:2] for result in talk.results]


def test_no_flow_control():
    """N_Bs: a second after the first frame is through the sender gives up."""
    talk = Conversation(tester=False)
    talk.ecm.send(bytes(20))
    talk.run()
    first_frame_end_ms = talk.frames[0][2]
    assert [("ecm", TransportError.TIMEOUT_BS, round(first_frame_end_ms + 1000, 6))] == talk.results
    talk.ecm.send(b"\x7e\x00")
    assert "7E8 027E00CCCCCCCCCC" == talk.run(6.0)[-1]


def test_no_consecutive_frame():
    """N_Cr: a second after the flow control is through, or after the last frame, the receiver gives up."""
    talk = Conversation(tester=False)
    talk.say(0.0, "7E0 1014010203040506")
    talk.say(2.0, "7E0 1014010203040506")
    talk.say(2.5, "7E0 2107080910111213")
    talk.say(4.0, "7E0 2214151617181920")  # too late: ignored
    talk.run()
    assert [("ecm", TransportError.TIMEOUT_CR), ("ecm", TransportError.TIMEOUT_CR)] == [
        result[:2] for result in talk.results
    ]
    ends_ms = [end_ms for _, _, end_ms in talk.frames]
    assert [round(ends_ms[n] + 1000, 6) for n in (1, 4)] == [time_ms for _, _, time_ms in talk.results]


def test_no_other_there():
    """N_As: alone on the bus the frame is never through; it is taken back, also if another joins later."""
    talk = Conversation()
    talk.network.set_segments([])
    talk.tester.send(b"\x3e\x00")
    talk.at(3.0, lambda: talk.network.set_segments(talk.together))
    assert [] == talk.run()
    assert [("tester", TransportError.TIMEOUT_A, 1000.0)] == talk.results


def test_flow_control_that_cannot_be_sent():
    """N_Ar: the receiver gives up when its flow control does not get through."""
    talk = Conversation(tester=False)
    talk.say(0.0, "7E0 1014010203040506")
    talk.at(0.0003, lambda: talk.network.set_segments([]))
    talk.run()
    assert [("ecm", TransportError.TIMEOUT_A)] == [result[:2] for result in talk.results]


@pytest.mark.parametrize(
    ("frames", "results"),
    [
        # a frame missing
        (["7E0 1014010203040506", "7E0 2207080910111213"], [TransportError.WRONG_SN]),
        # a new message within one: the old is lost, the new one counts
        (["7E0 1014010203040506", "7E0 023E00"], [TransportError.UNEXP_PDU, b"\x3e\x00"]),
        (
            ["7E0 1014010203040506", "7E0 1008010203040506", "7E0 210708"],
            [TransportError.UNEXP_PDU, bytes(range(1, 9))],
        ),
        # ignored: nothing under way, empty, too short for what they say, a first frame for a single's length
        (["7E0 2107080910111213", "7E0 300000", "7E0 00", "7E0 053E00", "7E0 1005010203040506"], []),
        (["7E0 101401020304", "7E0 4F00"], []),
        # a consecutive frame too short for the rest is no frame at all
        (["7E0 1008010203040506", "7E0 2107", "7E0 210708"], [bytes(range(1, 9))]),
    ],
)
def test_disturbed_reception(frames, results):
    """What the receiver makes of frames that do not belong together."""
    talk = Conversation(tester=False)
    for number, text in enumerate(frames):
        talk.say(number / 1000, text)
    talk.run(0.1)
    assert results == [result for _, result, _ in talk.results]


@pytest.mark.parametrize(
    ("answers", "result"),
    [
        (["7E0 320000"], TransportError.BUFFER_OVFLW),
        (["7E0 350000"], TransportError.INVALID_FS),
        (["7E0 310000"] * 11, TransportError.WFT_OVRN),
        (["7E0 310000"] * 10 + ["7E0 300000"], None),
        (["7E0 3000", "7E0 300000"], None),
    ],
)
def test_flow_control_answers(answers, result):
    """Overflow, an unknown kind and endless waiting end the message; some waiting does not."""
    talk = Conversation(tester=False)
    talk.ecm.send(bytes(range(1, 9)))
    for number, text in enumerate(answers):
        talk.say(0.5 * (number + 1), text)
    frames = talk.run(7.0)
    assert ([result] if result else []) == [outcome for _, outcome, _ in talk.results]
    assert ("7E8 210708CCCCCCCCCC" in frames) == (result is None)


def test_longer_than_the_buffer():
    """The receiver answers overflow, the sender stops at once and says why."""
    talk = Conversation()
    talk.tester.send(bytes(4096))
    assert ["7E0 1000000010000000", "7E8 320000CCCCCCCCCC"] == talk.run()
    assert [("tester", TransportError.BUFFER_OVFLW)] == [result[:2] for result in talk.results]


def test_reset_forgets():
    """A module that restarts within a message neither goes on nor complains."""
    talk = Conversation(tester=False)
    talk.ecm.send(bytes(20))
    talk.ecm.send(bytes(3))
    talk.at(0.001, talk.ecm.reset)
    talk.say(0.002, "7E0 300000")
    frames = talk.run()
    assert [] == talk.results
    assert 2 == len(frames)


def test_frame_on_the_wire_at_a_reset_is_not_taken_for_the_next():
    """The old first frame's end does not start the new message's wait for flow control."""
    talk = Conversation(tester=False)
    talk.ecm.send(bytes(20))

    def restart():
        talk.ecm.reset()
        talk.ecm.send(bytes(30))

    talk.at(0.0001, restart)
    assert ["7E8 1014000000000000", "7E8 101E000000000000"] == talk.run()
    assert [("ecm", TransportError.TIMEOUT_BS, round(talk.frames[1][2] + 1000, 6))] == talk.results


def test_gaps_and_their_bytes():
    """STmin 00 to 7F: ms; F1 to F9: 100 µs; reserved values ask for 127 ms (the last from memory)."""
    assert [0.0, 0.001, 0.127, 0.127, 0.127, 0.0001, 0.0009, 0.127] == [
        gap_of(byte) for byte in (0x00, 0x01, 0x7F, 0x80, 0xF0, 0xF1, 0xF9, 0xFA)
    ]


def test_an_empty_message_is_refused():
    """A message of no bytes gets one clear error."""
    with pytest.raises(ValueError, match=r"^a message of 0 bytes cannot be sent"):
        Conversation().ecm.send(b"")
