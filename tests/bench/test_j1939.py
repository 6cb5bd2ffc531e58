"""The truck on SAE J1939: addresses, DM1 and lamps, requests; its trailer and its two batteries."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.bench.j1939_reading import J1939Reading
from sim.bench.live import Fidelity
from sim.bench.snapshot import BenchSnapshot
from sim.catalogue import find_car
from sim.instruments.seat import seat_of
from sim.network.frames import Frame
from sim.vehicle.elements import TESTER
from sim.vehicle.j1939 import (
    ACKNOWLEDGMENT,
    ADDRESS_CLAIMED,
    DM1,
    DM2,
    DM3,
    DM11,
    REQUEST,
    TRANSPORT_DATA,
    TRANSPORT_MANAGEMENT,
    DiagnosticMessage,
    Identifier,
    Name,
)
from sim.vehicle.problems import EditProblem, FileProblem
from sim.vehicle.reading import car_from_text

TRUCK = find_car("regional-truck")
MORNING = ["wait 12 s", "key run", "wait 8 s", "key crank", "wait 10 s"]
SMALL = """
car: Two on one bus
buses: {main: {protocol: j1939, line: [ECM terminated, TCM terminated]}}
fuses: {F1: {rating_a: 10, feeds: [ECM, TCM]}}
modules: {ECM: %s, TCM: %s}
"""


class Traffic:
    """A bench at frame fidelity, and the 29-bit frames that the tester's pins hear."""

    def __init__(self, *given: str) -> None:
        self.bench = Bench(TRUCK, given)
        self.heard: list[tuple[float, Identifier, bytes]] = []
        self.bench.live.network.tap = self._tapped

    def _tapped(self, start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        if frame.extended and (sender == TESTER or sender.endswith(".frame")):
            self.heard.append((end_s, Identifier.of(frame.can_id), frame.data))

    def of(self, pgn: int, source: int) -> list[tuple[float, bytes]]:
        return [(time_s, data) for time_s, id, data in self.heard if (id.pgn, id.source) == (pgn, source)]

    def ask(self, pgn: int, address: int) -> None:
        """A request (59904) from a tool at address 249."""
        self.bench.live.plug_in()
        self.bench.do("wait 1 ms")
        id = Identifier(6, REQUEST, 249, address)
        self.bench.live.network.send(TESTER, Frame(id.can_id, pgn.to_bytes(3, "little"), extended=True))
        self.bench.do("wait 1 s")


def codes(bench: Bench) -> frozenset[tuple[str, str]]:
    report = bench.do("scan").report
    assert report is not None
    return report.codes


def test_every_controller_announces_its_name_before_its_messages() -> None:
    """The first 29-bit frame of each is its address claimed (60928), to all, at priority 6."""
    traffic = Traffic()
    traffic.bench.do_all(MORNING[:1])
    firsts: dict[int, Identifier] = {}
    for _, id, _ in traffic.heard:
        firsts.setdefault(id.source, id)
    claims = TRUCK.messages.claims
    on_frame = {claims[name].address for name, buses in TRUCK.messages.buses_of.items() if "frame" in buses}
    assert on_frame == set(firsts)
    assert {(6, ADDRESS_CLAIMED, 255)} == {
        (one.priority, one.pgn, one.destination) for one in firsts.values()
    }


def test_dm1_comes_once_a_second_and_at_once_when_a_code_sets() -> None:
    """Without a code four zeros; the brakes' code about the retarder is SPN 2016 FMI 9, once."""
    traffic = Traffic()
    traffic.bench.do_all(MORNING)
    times = [time_s for time_s, _ in traffic.of(DM1, 11)][-8:]
    assert all(0.99 < b - a < 1.01 for a, b in pairwise(times))
    assert bytes.fromhex("00ff00000000ffff") == traffic.of(DM1, 11)[-1][1]
    traffic.bench.do_all(["unplug RETARDER.C1", "wait 5 s"])
    (event,) = (one for one in traffic.bench.trace.events if one.kind == "code" and one.subject == "ABS")
    told_s, data = next(one for one in traffic.of(DM1, 11) if any(one[1][2:6]))
    assert told_s - event.time_s < 0.01
    assert "01ffe0070901ffff" == data.hex()


def test_two_codes_need_a_broadcast_in_packets() -> None:
    """With two active codes DM1 goes through TP.CM and TP.DT (SAE J1939-21), and says both."""
    traffic = Traffic("unplug RETARDER.C1", "unplug TCM.C1")
    traffic.bench.do_all([*MORNING, "unplug X7", "wait 5 s"])
    announced = [data for _, data in traffic.of(TRANSPORT_MANAGEMENT, 11)]
    assert bytes.fromhex("200a0002ffcafe00") in announced
    packets = [data for _, data in traffic.of(TRANSPORT_DATA, 11)][-2:]
    told = DiagnosticMessage.of((packets[0][1:] + packets[1][1:])[:10])
    assert ["SPN 1836 FMI 9", "SPN 2016 FMI 9"] == sorted(str(one.fault) for one in told.faults)
    assert {"stop", "protect"} == told.lamps


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_trailer_that_was_never_there_is_no_fault_and_one_that_is_lost_is(fidelity: Fidelity) -> None:
    """Without its trailer the tractor has no code; unplugged after it was heard, a code and the stop lamp."""
    alone = Bench(TRUCK, ["unplug X7"], fidelity=fidelity)
    alone.do_all(MORNING)
    assert (frozenset(), ()) == (codes(alone), seat_of(alone).lit)
    lost = Bench(TRUCK, fidelity=fidelity)
    lost.do_all([*MORNING, "unplug X7", "wait 5 s"])
    assert (frozenset({("ABS", "U0137-87")}), ("stop",)) == (codes(lost), seat_of(lost).lit)


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_of_two_at_one_address_the_lower_name_keeps_it(fidelity: Fidelity) -> None:
    """The retrofit's NAME is lower (industry group 0): the retarder falls silent, and the reason is told."""
    bench = Bench(TRUCK, ["readdress LIFTGATE as RETARDER"], fidelity=fidelity)
    bench.do_all(MORNING)
    claims = TRUCK.messages.claims
    assert claims["LIFTGATE"].name.value < claims["RETARDER"].name.value
    assert {("ABS", "U1132-87"), ("TCM", "U1132-87")} == codes(bench)
    assert "readdress LIFTGATE as RETARDER" in str(why_code(bench, "TCM", "U1132-87"))
    bench.do_all(["repair LIFTGATE", "key off", "wait 30 s", *MORNING[1:], "clear", "wait 5 s"])
    assert frozenset() == codes(bench)


def test_who_cannot_claim_says_so_from_address_254() -> None:
    """The loser's NAME comes from the null address (SAE J1939-81), and its own messages stop."""
    traffic = Traffic("readdress LIFTGATE as RETARDER")
    traffic.bench.do_all(MORNING)
    assert {TRUCK.messages.claims["RETARDER"].name} == {
        Name.of(data) for _, data in traffic.of(ADDRESS_CLAIMED, 254)
    }
    assert [] == traffic.of(61440, 16)


def test_one_that_may_move_takes_a_free_address() -> None:
    """Arbitrary address capable: 128 is the first to look at (SAE J1939-81)."""
    text = SMALL % ("{hears: [TCM]}", "{j1939: {address: 1, moves: true}, hears: [ECM]}")
    car = car_from_text(text.replace("address: 1,", "address: 200,"))
    bench = Bench(car)
    bench.do("wait 2 s")
    node = bench.live.modules["TCM"].j1939.nodes["main"]
    assert ("claimed", 200) == (node.state, node.address)
    other = Frame(Identifier(6, ADDRESS_CLAIMED, 200).can_id, bytes(8), extended=True)
    node.frame(other, "ECM.main")
    bench.do("wait 2 s")
    assert ("claimed", 128) == (node.state, node.address)


def test_a_request_is_answered_acknowledged_or_refused() -> None:
    """DM2 for a healed code, an acknowledgment for clearing, none (control byte 1) for an unknown group."""
    traffic = Traffic()
    traffic.bench.do_all([*MORNING, "unplug RETARDER.C1", "wait 5 s", "plug RETARDER.C1", "wait 9 s"])
    traffic.ask(DM2, 11)
    assert "00ffe0070901ffff" == traffic.of(DM2, 11)[-1][1].hex()
    traffic.ask(DM3, 11)
    assert "00fffffff9ccfe00" == traffic.of(ACKNOWLEDGMENT, 11)[-1][1].hex()
    traffic.ask(DM2, 11)
    assert "00ff00000000ffff" == traffic.of(DM2, 11)[-1][1].hex()
    traffic.ask(0xFE00, 11)
    assert "01fffffff900fe00" == traffic.of(ACKNOWLEDGMENT, 11)[-1][1].hex()
    traffic.bench.do_all(["unplug RETARDER.C1", "wait 5 s"])
    traffic.ask(DM11, 11)
    assert "00fffffff9d3fe00" == traffic.of(ACKNOWLEDGMENT, 11)[-1][1].hex()


def test_one_weak_battery_of_two_takes_the_charge_from_the_other() -> None:
    """28.1 V together, but 13 V at the one with a shorted cell and 15 V at the good one."""
    bench = Bench(TRUCK, ["weaken BAT2"])
    bench.do_all([*MORNING, "wait 60 s"])
    volts = [bench.live.reading.between(a, b) or 0 for a, b in (("BAT+", "BAT2.LINK"), ("BAT.LINK", "BAT-"))]
    assert 28.1 == pytest.approx(sum(volts), abs=0.1)
    assert volts[0] < 13.2
    assert 14.7 < volts[1]  # above what a shop expects at a 12 V battery, common practice


def test_a_copy_of_the_truck_goes_on_alike() -> None:
    """A snapshot in the middle of a broadcast: the same events from there."""
    bench = Bench(TRUCK, ["unplug RETARDER.C1", "unplug TCM.C1"])
    bench.do_all([*MORNING, "unplug X7", "wait 3 s"])
    copy = BenchSnapshot(bench).clone()
    bench.do("wait 10 s")
    copy.do("wait 10 s")
    assert bench.trace.events == copy.trace.events


@pytest.mark.parametrize(
    ("modules", "said"),
    [
        (("{j1939: {address: 3}}", "{}"), "address 3 on main is ECM's already: give TCM another of 0 to 253"),
        (("{sends: {a: {pgn: 61184, id: 5}}}", "{}"), "has an 11-bit id, too"),
        (("{sends: {a: {pgn: 61185}}}", "{}"), "group 61185 is addressed (PDU1): its last byte must be 0"),
        (("{sends: {a: {pgn: 65000}, b: {pgn: 65000}}}", "{}"), "group 65000 is already sent by ECM.a"),
        (("{sends: {a: {id: 0x18FF1234}}}", "{}"), "29 bits follow from 'pgn' and 'priority'"),
        (("{j1939: {address: 254}}", "{}"), "'address' is at most 253"),
    ],
)
def test_what_cannot_be_is_one_clear_error(modules: tuple[str, str], said: str) -> None:
    """An address twice, a group beside an 11-bit id, an impossible group, one twice, 29 bits, address 254."""
    with pytest.raises(FileProblem, match="line") as refused:
        car_from_text(SMALL % modules)
    assert said in str(refused.value)


def test_a_group_needs_a_bus_of_its_kind() -> None:
    """A message with a parameter group on a plain bus is refused, and so is a lamp by DM1."""
    plain = SMALL.replace("protocol: j1939, ", "")
    wrong: list[tuple[str, str]] = [
        ("{sends: {a: {pgn: 65000}}}", "ECM is on no bus of SAE J1939"),
        ("{telltales: {stop: {when: {dm1_lamp: stop}}}}", "module 'ECM' hears no DM1"),
    ]

    for module, said in wrong:
        assert said in _refused(plain % (module, "{}"))


def _refused(text: str) -> str:
    with pytest.raises(FileProblem) as refused:
        car_from_text(text)
    return str(refused.value)


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_tester_reads_who_is_there_and_what_each_says(fidelity: Fidelity) -> None:
    """Active and previously active codes with their module, an address lost, a module not received."""
    bench = Bench(TRUCK, ["readdress LIFTGATE as RETARDER", "pull F7"], fidelity=fidelity)
    bench.do_all([*MORNING, "fit F7", "wait 5 s"])
    told = bench.do("faults").told
    assert told is not None
    heard = "ECM 0, TCM 3, ABS 11, LIFTGATE 16, CLUSTER 23, BCM 33, SUSPENSION 47"
    assert told.words.startswith(
        f"7 controllers heard on SAE J1939 ({heard}): RETARDER could not claim address 16; "
        "TCM: SPN 2016 FMI 9, controller at"
    )
    reading = bench.tests["faults"]
    assert isinstance(reading, J1939Reading)
    rows = {(row["module"], row["state"]): row for row in reading.rows()}
    assert "address 16, usually 200" == rows["LIFTGATE", ""]["address"]
    text = "controller at address 16 (RETARDER), abnormal update rate"
    lost = rows["ABS", "active"]
    assert ("SPN 2016 FMI 9", text, "1") == (lost["code"], lost["text"], lost["count"])
    assert "SPN 2047 FMI 9" == rows["CLUSTER", "previously active"]["code"]
    assert ("protect",) == reading.lamps
    bench.do_all(["unplug CLUSTER.C1", "wait 5 s"])
    told = bench.do("faults").told
    assert told is not None
    assert "CLUSTER not received" in told.words


def test_a_car_without_sae_j1939_says_so() -> None:
    """The tester refuses with one sentence, which names what to do instead."""
    with pytest.raises(EditProblem, match=r"on no bus of SAE J1939; write 'scan'"):
        Bench(find_car("six-modules")).do("faults")


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_claim_that_none_hears_yet_wakes_the_others(fidelity: Fidelity) -> None:
    """With the ignition off a tester wakes the tractor, and its brakes' claim wakes the trailer."""
    bench = Bench(TRUCK, ["pull F10"], fidelity=fidelity)
    bench.do("wait 60 s")
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent
