"""Challenge, answer and release between two modules on two buses: frames, retries, and what stays locked."""

import hashlib
import hmac
from collections.abc import Callable
from itertools import pairwise

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_engine, why_telltale
from sim.catalogue import vehicle_text
from sim.instruments.seat import seat_of
from sim.modules.immobilizer import SECRET
from sim.network.frames import Frame
from sim.vehicle.reading import car_from_text, read_car

Tell = Callable[..., list[tuple[float, str]]]
CHALLENGE, ANSWER, RELEASE = 0x1A0, 0x1A1, 0x1A2


@pytest.fixture
def bench() -> Bench:
    """The teaching car asleep: the body module asks, the engine module beyond the gateway responds."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml"))
    bench.do("wait 12 s")
    return bench


@pytest.fixture
def frames(bench: Bench) -> list[tuple[float, str, int, bytes]]:
    """(start, sender, identifier, data) of the handshake from now on."""
    found: list[tuple[float, str, int, bytes]] = []

    def tap(start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        if frame.can_id in (CHALLENGE, ANSWER, RELEASE):
            found.append((start_s, sender, frame.can_id, frame.data))

    bench.live.network.tap = tap
    return found


def proof(data: bytes) -> bytes:
    """HMAC with SHA-256 (RFC 2104), written out with the hash alone; the first four bytes are sent."""
    key = SECRET.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in key) + data).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in key) + inner).digest()[:4]


def test_the_written_out_proof_is_the_standard_one() -> None:
    """The digest written out step by step (RFC 2104) is the one that the library computes."""
    assert hmac.digest(SECRET, b"x", "sha256")[:4] == proof(b"x")


def test_the_handshake_frame_by_frame(bench: Bench, frames: list[tuple[float, str, int, bytes]]) -> None:
    """Three frames, each on both buses, 2 ms later beyond the gateway; data that only the secret explains."""
    bench.do_all(["key run", "wait 4 s"])
    asked = [(sender, data) for _, sender, can_id, data in frames if can_id == CHALLENGE]
    challenge = asked[-1][1]
    assert [
        ("BCM.body", CHALLENGE, challenge),
        ("GATEWAY.powertrain", CHALLENGE, challenge),
        ("ECM.powertrain", ANSWER, proof(challenge)),
        ("GATEWAY.body", ANSWER, proof(challenge)),
        ("BCM.body", RELEASE, proof(proof(challenge))),
        ("GATEWAY.powertrain", RELEASE, proof(proof(challenge))),
    ] == [frame[1:] for frame in frames[-6:]]
    times = [frame[0] for frame in frames[-6:]]
    assert all(0.002 < times[k + 1] - times[k] < 0.004 for k in (0, 2, 4))
    assert bench.live.modules["ECM"].starter.released  # type: ignore[union-attr]
    assert "security" not in seat_of(bench).lit


def test_questions_are_repeated_with_new_numbers(
    bench: Bench, frames: list[tuple[float, str, int, bytes]], told: Tell
) -> None:
    """Every 200 ms until there is an answer; silence is told after the third."""
    bench.do_all(["unplug ECM", "key run", "wait 1.5 s"])
    assert "telltale security is lit for the lamp check" == why_telltale(bench, "security").text
    bench.do("wait 2 s")
    asked = [(start_s, data) for start_s, sender, _, data in frames if sender == "BCM.body"]
    gaps = [round(b[0] - a[0], 2) for a, b in pairwise(asked)]
    assert [0.2] * 16 == gaps
    assert len(asked) == len({data for _, data in asked})
    first_s = asked[0][0]
    (silence,) = [
        event for event in told(bench, "immobilizer") if event[1] == "BCM gets no valid response from ECM"
    ]
    assert 0.6 == pytest.approx(silence[0] - first_s, abs=0.01)
    assert "security" in seat_of(bench).lit
    assert ["unplug ECM.C1"] == why_telltale(bench, "security").to_edits().roots()
    bench.do_all(["plug ECM", "wait 1 s"])
    assert "security" not in seat_of(bench).lit


def test_switched_off_and_on_the_time_to_the_next_question_begins_anew(
    bench: Bench, frames: list[tuple[float, str, int, bytes]]
) -> None:
    """Off 100 ms after a question: what was left of its 200 ms does not shorten those of the next one."""
    bench.do_all(["unplug ECM", "key run", "wait 1 s"])
    left_s = 0.2 - (bench.now_s - [start_s for start_s, sender, _, _ in frames if sender == "BCM.body"][-1])
    bench.do_all([f"wait {left_s + 0.1:.3f} s", "key off"])
    before = len(frames)
    bench.do_all(["key run", "wait 0.9 s"])
    asked_s = [start_s for start_s, sender, _, _ in frames[before:] if sender == "BCM.body"]
    assert before
    assert len(asked_s) >= 3
    assert [0.2] * (len(asked_s) - 1) == [pytest.approx(b - a, abs=0.01) for a, b in pairwise(asked_s)]


@pytest.mark.parametrize(
    ("right", "can_id", "released"),
    [(False, ANSWER, False), (True, RELEASE, False), (True, ANSWER, True)],
    ids=["wrong", "no answer", "right"],
)
def test_only_the_right_proof_releases(
    right: bool, can_id: int, released: bool, bench: Bench, frames: list[tuple[float, str, int, bytes]]
) -> None:
    """A stranger on the bus in place of the engine module: it takes the secret, and no more than that."""
    bench.do_all(["unplug ECM", "key run", "wait 1 s"])
    live = bench.live
    for _ in range(5):
        challenge = [data for _, _, sent_id, data in frames if sent_id == CHALLENGE][-1]
        data = proof(challenge) if right else bytes(b ^ 1 for b in proof(challenge))
        live.network.send("CLUSTER.body", Frame(can_id, data))
        bench.do("wait 0.2 s")
    assert released is live.modules["BCM"].authority.released  # type: ignore[union-attr]
    denied = bytes(4)
    releases = [sender for _, sender, sent_id, data in frames if sent_id == RELEASE and data != denied]
    assert released is ("BCM.body" in releases)


def test_an_old_answer_is_no_proof(bench: Bench, frames: list[tuple[float, str, int, bytes]]) -> None:
    """What released the car this morning does not release it again."""
    bench.do_all(["key run", "wait 2 s"])
    old = [data for _, _, can_id, data in frames if can_id == ANSWER][-1]
    bench.do_all(["key off", "wait 12 s", "unplug ECM", "key run", "wait 1 s"])
    for _ in range(5):
        bench.live.network.send("TCM.powertrain", Frame(ANSWER, old))
        bench.do("wait 0.2 s")
    assert not bench.live.modules["BCM"].authority.released  # type: ignore[union-attr]


def test_without_a_fob_it_does_not_crank(
    bench: Bench, frames: list[tuple[float, str, int, bytes]], told: Tell
) -> None:
    """No question is asked, the lamp stays lit, the starter does not turn; the fob brings all of it back."""
    bench.do_all(["fob away", "key run", "wait 2 s", "key crank"])
    assert [] == frames
    assert ("stopped", True) == (seat_of(bench).engine, "security" in seat_of(bench).lit)
    assert ["BCM finds no fob"] == [text for _, text in told(bench, "immobilizer")]
    assert [] == [text for _, text in told(bench, "output") if "start_relay" in text]
    assert "the fob is away" in why_engine(bench).roots()
    assert "the fob is away" in why_telltale(bench, "security").roots()
    bench.do_all(["fob at button", "wait 0.5 s", "key crank"])
    assert ("running", False) == (seat_of(bench).engine, "security" in seat_of(bench).lit)


def test_it_locks_with_the_ignition(
    bench: Bench, frames: list[tuple[float, str, int, bytes]], told: Tell
) -> None:
    """Off locks both ends; the next switching on asks again, with another number."""
    bench.do_all(["key run", "wait 2 s", "key off", "wait 1 s"])
    live = bench.live
    assert not live.modules["BCM"].authority.released  # type: ignore[union-attr]
    assert not live.modules["ECM"].starter.released  # type: ignore[union-attr]
    assert "immobilizer locks" == told(bench, "immobilizer")[-1][1]
    before = {data for _, _, can_id, data in frames if can_id == CHALLENGE}
    bench.do_all(["key run", "wait 2 s"])
    after = {data for _, _, can_id, data in frames if can_id == CHALLENGE} - before
    assert after
    assert live.modules["ECM"].starter.released  # type: ignore[union-attr]


def test_challenges_that_are_not_acknowledged_are_not_kept(
    bench: Bench, frames: list[tuple[float, str, int, bytes]]
) -> None:
    """Alone on its wire for a minute, the asker does not flood the bus when it is mended."""
    bench.do_all(["open BCM.body.H", "key run", "wait 60 s", "repair BCM.body.H"])
    bench.do("wait 0.15 s")
    assert len([start_s for start_s, sender, _, _ in frames if sender == "BCM.body"]) <= 3
    bench.do("wait 1 s")
    assert bench.live.modules["ECM"].starter.released  # type: ignore[union-attr]


def test_a_release_without_the_secret_releases_nothing(bench: Bench) -> None:
    """A stranger who saw the engine module answer sends the release himself, with another number."""
    starter = bench.live.modules["ECM"].starter
    assert starter is not None
    bench.do_all(["unplug BCM", "key run", "wait 1 s"])
    for challenge, release in ((b"1234", bytes(4)), (b"1234", proof(b"1234")), (b"1234", None)):
        bench.live.network.send("TCM.powertrain", Frame(CHALLENGE, challenge))
        bench.do("wait 0.1 s")
        bench.live.network.send("TCM.powertrain", Frame(RELEASE, release or proof(proof(challenge))))
        bench.do("wait 0.1 s")
        assert (release is None) is starter.released


def test_a_starter_switched_by_hand_needs_its_switch() -> None:
    """A car whose key switches the starter relay names the key where the engine does not turn."""
    text = vehicle_text("teaching-car").replace("coil: ECM.start_relay", "coil: key_crank")
    bench = Bench(car_from_text(text))
    assert "key_crank does not switch K3" in [reason.text for reason in why_engine(bench).causes]


def test_a_fob_that_is_away_lights_the_lamp_and_sets_no_code(bench: Bench) -> None:
    """Common practice: a key that is not there is the driver's matter, not a fault of the car; no code."""
    bench.do_all(["fob away", "key run", "wait 10 s"])
    assert "security" in seat_of(bench).lit
    assert set() == {dtc.code for one in bench.live.modules.values() for dtc in one.memory.dtcs if dtc.stored}
