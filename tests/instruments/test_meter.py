"""The multimeter: what it shows, what it does to the circuit, and when its number is wrong."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.probing import PROBING
from sim.instruments.levels import Traffic
from sim.instruments.meter import Measured, amps_at
from sim.instruments.read import read
from sim.instruments.result import digits
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.conduction import ohm_of
from sim.wiring.wiring import Reading
from tests.readings import measure, ohms_between, volts_between

Cars = Callable[..., Car]
Solved = Callable[..., Reading]
Benches = Callable[..., Bench]
QUIET = Traffic()


def sending(share: float, *channels: str) -> Traffic:
    return Traffic((((channels or ("N1.main",)), share),))


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (2.75, "V", "2.750 V"), (12.583, "V", "12.58 V"), (0.1032, "V", "103.2 mV"), (-1e-5, "V", "0.0 mV"),
        (360.0, "Ω", "360.0 Ω"), (0.08, "Ω", "0.1 Ω"), (12_540.0, "Ω", "12.54 kΩ"), (2e6, "Ω", "2.000 MΩ"),
        (3.7214, "A", "3.721 A"), (0.0204, "A", "0.020 A"), (10.45, "A", "10.45 A"), (-1.5, "V", "-1.500 V"),
    ],
)  # fmt: skip
def test_the_display_has_6000_counts(value: float, unit: str, expected: str) -> None:
    """Values are shown with the digits of a meter of 6000 counts."""
    assert expected == digits(value, unit)


# -- volts -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.0, 0.05, 0.10, 0.15, 0.25, 0.5])
def test_the_average_of_a_bus_tells_the_dominant_share(three: Cars, solved: Solved, share: float) -> None:
    """A voltmeter on a bus shows 2.5 V plus or minus the dominant share."""
    # CANH = 2.5 + d, CANL = 2.5 - d; computed for 3.5/1.5 V dominant levels (ISO 11898-2, typical)
    found = solved(three())
    assert 2.5 + share == pytest.approx(volts_between(found, sending(share), "DLC.6", "DLC.4"), abs=0.02)
    assert 2.5 - share == pytest.approx(volts_between(found, sending(share), "DLC.14", "DLC.4"), abs=0.02)


def test_ten_megohms_load_a_leak(three: Cars, solved: Solved) -> None:
    """The meter's input pulls down a voltage that comes through a megohm."""
    # 12.6 V behind 1 megohm: 12.6 x 10 / 11 = 11.455 V, computed
    found = solved(three("pull F4", "pull F2", "unplug N2", "short F2.2 to BAR 1000000 ohm"), asleep=True)
    assert 11.455 == pytest.approx(volts_between(found, QUIET, "F2.2", "BAT-"), abs=0.01)


def test_ten_megohms_load_a_biased_pin_a_little(three: Cars, solved: Solved) -> None:
    """The meter's input takes some millivolts off the bias of an open bus pin."""
    # 2.5 V behind 30 kohm: 2.4925 V, computed
    found = solved(three("open N2.main.H"))
    assert 2.4925 == pytest.approx(volts_between(found, QUIET, "N2:main.H", "N2:0"), abs=0.0002)


def test_an_open_lead_reads_floating(three: Cars, solved: Solved) -> None:
    """Between points that nothing joins there is neither voltage nor resistance."""
    assert volts_between(solved(three("pull F2", "unplug N2")), QUIET, "F2.2", "BODY") is None
    assert ohms_between(solved(three("pull F2", "unplug N2")), QUIET, "F2.2", "BODY") is None


def test_a_floating_display_wanders_and_says_so(teaching: Benches) -> None:
    """An open lead shows digits that change, marked as wandering."""
    bench = teaching("pull F1", "unplug ECM")
    first, second = (measure(bench, "volts F1.2 to BODY") for _ in range(2))
    assert (True, None) == (first.floating, first.value)
    assert first.display != second.display
    assert first.display.endswith("wandering")


def test_the_bench_shows_an_awake_bus_and_a_sleeping_one(teaching: Benches) -> None:
    """A meter tells a bus with traffic from a sleeping one."""
    bench = teaching()
    bench.do("key run")
    bench.do("wait 1 s")
    high, low = (measure(bench, f"volts ECM.powertrain.{leg} to G2") for leg in "HL")
    assert high.value is not None
    assert low.value is not None
    assert 2.5 < high.value < 2.8
    assert 2.2 < low.value < 2.5
    assert any("average" in note for note in high.notes)
    bench.do("key off")
    bench.do("wait 30 s")
    asleep = measure(bench, "volts ECM.powertrain.H to G2")
    assert 0 == pytest.approx(asleep.value, abs=0.1)  # bias inactive, data sheets


def test_the_share_is_that_of_the_frames(teaching: Benches) -> None:
    """The reading averages the frames that ran while the meter measured."""
    # share of dominant bits by hand: a quiet powertrain bus holds five messages of known period
    bench = teaching()
    bench.do("key run")
    bench.do("wait 1 s")
    measure(bench, "volts ECM.powertrain.H to G2")
    observed = bench.observed
    assert observed is not None
    assert 0.4 == pytest.approx(observed.end_s - observed.start_s)
    engine = [one for one in observed.frames if one.sender == "ECM.powertrain"]
    assert 40 == pytest.approx(len(engine), abs=1)  # one frame of ECM every 10 ms
    shares = dict(Traffic.of(observed).shares)
    bits = [bit for one in engine for bit in _unstuffed_lower_bound(one.frame.data)]
    assert 0 < shares["ECM.powertrain",] < len(engine) * 135 * 2e-6 / 0.4
    assert shares["ECM.powertrain",] > bits.count(0) * 2e-6 / 0.4


def _unstuffed_lower_bound(data: bytes) -> list[int]:
    return [byte >> shift & 1 for byte in data for shift in range(8)]


# -- ohms ------------------------------------------------------------------------------------------------


def test_ohms_on_a_live_bus_are_wrong_by_the_dominant_share(three: Cars, solved: Solved) -> None:
    """An ohmmeter on a live bus takes the bus voltage for its own."""
    # 60 + 2000 d ohm at a test current of 1 mA, leads reversed 60 - 2000 d: computed; while dominant the
    # drivers stand beside the terminators, which takes up to 2 % off
    found, busy = solved(three()), sending(0.15)
    assert 360 == pytest.approx(ohms_between(found, busy, "DLC.6", "DLC.14"), rel=0.02)
    assert -240 == pytest.approx(ohms_between(found, busy, "DLC.14", "DLC.6"), rel=0.04)


def test_a_live_circuit_carries_the_warning(teaching: Benches) -> None:
    """Ohms on a live circuit are marked as wrong, on a dead one not."""
    bench = teaching()
    bench.do("key run")
    bench.do("wait 1 s")
    live = measure(bench, "ohms ECM.powertrain.H to ECM.powertrain.L")
    assert live.value is not None
    assert 65 < live.value
    assert any(note.startswith("Wrong reading: the circuit is live") for note in live.notes)
    bench.do("key off")
    bench.do("disconnect battery")
    bench.do("wait 1 s")
    dead = measure(bench, "ohms ECM.powertrain.H to ECM.powertrain.L")
    assert (60, ()) == (pytest.approx(dead.value, abs=0.5), dead.notes)


@pytest.mark.parametrize(
    ("edits", "expected_ohm"),
    [((), 60), (("unplug N1",), 120), (("short DLC.6 to DLC.14",), 0.05)],
)  # 60 / 120 / about 0 ohm with the battery off: trade articles
def test_terminators_with_the_battery_off(
    three: Cars, solved: Solved, edits: tuple[str, ...], expected_ohm: float
) -> None:
    """Resistance between the lines follows from the terminators that are left."""
    found = solved(three("unplug BAT.NEG", *edits), asleep=True)
    assert expected_ohm == pytest.approx(ohms_between(found, QUIET, "DLC.6", "DLC.14"), rel=0.01, abs=0.05)


def test_a_third_terminator_reads_forty_ohm(three: Cars, solved: Solved) -> None:
    """Three terminators in parallel are 40 ohm."""
    car = three("unplug BAT.NEG", line="[N1 terminated, N2 terminated, DLC, N3 terminated]")
    assert 40 == pytest.approx(ohms_between(solved(car, asleep=True), QUIET, "DLC.6", "DLC.14"), abs=0.3)


# -- a beep against a load -------------------------------------------------------------------------------


def test_continuity_passes_what_a_load_finds(three: Cars, solved: Solved) -> None:
    """Half an ohm passes continuity and drops volts under load."""
    # 55 W lamp 2.887 ohm + 0.5 ohm joint at 12.6 V: 3.721 A, lamp 10.740 V, drop 1.860 V (computed; the
    # car's wires, fuse and battery take another 0.04 ohm)
    joint = "corrode F4.2--headlamp.1 0.5 ohm"
    found = solved(three(joint))
    off = solved(three("unplug BAT.NEG", joint, "pull F4"), asleep=True)
    assert 0.5 == pytest.approx(ohms_between(off, QUIET, "F4.2", "headlamp.1"), abs=0.005)
    assert 1.860 == pytest.approx(volts_between(found, QUIET, "F4.2", "headlamp.1"), abs=0.03)
    assert 10.740 == pytest.approx(volts_between(found, QUIET, "headlamp.1", "headlamp.2"), abs=0.15)
    assert 3.721 == pytest.approx(amps_at(found, found.car.elements["F4"]), abs=0.08)


# -- amps ------------------------------------------------------------------------------------------------


def test_amps_replace_a_fuse_even_a_blown_one(teaching: Benches) -> None:
    """A meter in place of a fuse closes the circuit, also where the fuse was blown."""
    whole, blown = (measure(teaching(*edits), "amps F1") for edits in ((), ("blow F1",)))
    assert (whole.kind, "A") == ("amps", whole.unit)
    assert whole.value == pytest.approx(0.8, abs=0.02)  # ECM: run_a 0.8 in the first second
    assert blown.value is not None
    assert (
        0 < blown.value < 0.01
    )  # an ECM without supply draws its sleep current when the meter closes the loop


def test_a_short_opens_the_meters_own_fuse(teaching: Benches) -> None:
    """More current than the meter takes opens its fuse and shows OL."""
    reading = measure(teaching("short F1.2 to BODY 0.05 ohm", "blow F1"), "amps F1")
    assert (None, "OL") == (reading.value, reading.display)
    assert any("own 10 A fuse opens at once" in note for note in reading.notes)


@pytest.mark.parametrize(("ohm", "beeps"), [(20, True), (45, False)])
def test_it_beeps_below_thirty_ohm(teaching: Benches, ohm: float, beeps: bool) -> None:
    """Meters differ between 20 and 50 ohm (common practice); this one's limit is in the middle."""
    bench = teaching("unplug BAT.NEG", "unplug ECM", f"short ECM.C1.3 to ECM.C1.4 {ohm} ohm")
    reading = measure(bench, "continuity ECM.C1.3 to ECM.C1.4")
    assert (beeps, "continuity" if beeps else "no continuity") == (
        reading.beeps,
        reading.display.split(", ")[1],
    )


def test_the_meter_s_shunt_is_part_of_the_loop(three: Cars, solved: Solved) -> None:
    """30 mohm in place of the fuse: the lamp of 2.887 ohm burns a hundredth weaker."""
    found = solved(three())
    fuse = found.car.elements["F4"]
    usual_a = abs(found.current("F4"))
    open_v = found.without("F4").between(fuse.a, fuse.b)
    assert open_v is not None
    rest_ohm = abs(open_v) / usual_a - ohm_of(fuse, found.car)
    assert abs(open_v) / (rest_ohm + 0.03) == pytest.approx(abs(amps_at(found, fuse)), rel=1e-6)


def test_the_battery_clamp_shows_the_key_off_draw(teaching: Benches) -> None:
    """The current of a sleeping car is measured at the negative clamp."""
    bench = teaching()
    bench.do_all(["measure amps BAT.NEG", "wait 60 s"])
    reading = measure(bench, "amps BAT.NEG")
    assert reading.value is not None
    assert 0.001 < reading.value < 0.05  # below 50 mA asleep: a trade page
    assert any("negative" in caution.lower() for caution in reading.cautions)


def test_amps_at_an_unplugged_pin_close_no_loop(teaching: Benches) -> None:
    """At an unplugged pin no current flows, and the note says why."""
    reading = measure(teaching("unplug ECM"), "amps ECM.B+")
    assert 0 == reading.value
    assert "No circuit: the contact does not close." in reading.notes


# -- the sentence ----------------------------------------------------------------------------------------


def test_a_measurement_stands_in_the_log_and_replays(teaching: Benches) -> None:
    """A measurement is in the log in normal form and shows the same in a replay."""
    bench = teaching("pull F1", "unplug ECM")
    read(bench, "measure volts ECM.GND to G2 by front-probing")
    shown = read(bench, "measure volts F1.2 to BODY").display
    assert ["measure volts ECM.C1.3 to G2 by front-probing", "measure volts F1.2 to BODY"] == bench.log
    again = Bench.replay(bench.base, bench.given, bench.seed, bench.log[:1])
    assert shown == read(again, bench.log[1]).display
    assert list(bench.trace.lines()) == list(again.trace.lines())


def test_a_measurement_leaves_the_car_as_it_was(teaching: Benches) -> None:
    """A measurement only lets its time pass."""
    measured, waited = teaching("pull F12"), teaching("pull F12")
    for bench in (measured, waited):
        bench.do("key run")
    measure(measured, "ohms F12.2 to G3")
    waited.do("wait 403 ms")
    for bench in (measured, waited):
        bench.do("wait 10 s")
    assert list(measured.trace.lines()) == list(waited.trace.lines())
    assert measured.car is not None
    assert measured.car.harness == waited.car.harness


def test_without_frames_a_bus_is_not_read_wrong() -> None:
    """At stream fidelity a reading on a bus is refused, elsewhere it is not."""
    bench = Bench(TEACHING, fidelity="stream")
    assert 12 < (measure(bench, "volts ECM.B+ to G2").value or 0.0)
    with pytest.raises(EditProblem, match="needs a bench at frame fidelity"):
        measure(bench, "volts ECM.powertrain.H to G2")
    with pytest.raises(EditProblem, match="needs a bench at frame fidelity"):
        read(bench, "scope ECM.powertrain.H to G2 for 1 ms")


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        (
            "measure",
            "a meter does not measure ''; known: amps, clamp, continuity, duty, frequency, maximum, minimum, "
            "ohms, volts",
        ),
        ("measure volt F1.1 to G1", "a meter does not measure 'volt'; did you mean 'volts'?"),
        ("measure volts F1.1", "write 'measure volts TERMINAL to TERMINAL'"),
        ("measure volts F1.9 to G1", "no terminal 'F1.9' in this car; did you mean 'F1.2'?"),
        ("measure volts F1.1 to F1.1", "both leads are on F1.1"),
        (
            "measure volts ECM:GND to G1",
            "ECM:GND is inside the module: probe ECM.C1.3, or unplug ECM.C1 first",
        ),
        ("measure volts ECM:0 to G1", "ECM:0 is inside the module: probe one of its pins"),
        (
            "measure volts ECM.C1.1 to G1 by front-probing",
            "ECM.C1.1 cannot be reached by front-probing; possible: back-probing, breakout lead, piercing",
        ),
        ("measure volts ECM.C1.1 to G1 by magic", "'magic' is not a way of probing"),
        ("measure amps F99", "no fuse, pin or battery clamp 'F99' in this car; did you mean 'F9'?"),
        (
            "measure ohms F1.1 to G1 while 5 W lamp at F1.2 to G1",
            "with a test lamp on, only volts can be measured",
        ),
        (
            "measure volts TESTER:6 to G1",
            "TESTER:6 is inside the tester: probe the diagnostic connector's pin",
        ),
    ],
)
def test_a_wrong_sentence_says_what_is_right(teaching: Benches, sentence: str, expected: str) -> None:
    """A wrong sentence is refused with the right form and leaves no log."""
    bench = teaching()
    with pytest.raises(EditProblem) as problem:
        read(bench, sentence)
    assert expected in str(problem.value)
    assert [] == bench.log


def test_the_way_of_probing_has_its_cautions_and_its_harm(teaching: Benches) -> None:
    """How a terminal is probed decides on cautions and harm."""
    bench = teaching("unplug ECM")
    gentle = measure(bench, "volts DLC.6 to DLC.4")
    thick = measure(bench, "volts ECM.C1.1 to G2 by front-probing")
    pierced = measure(bench, "volts SP.powertrain.TCM.H to G2")
    airbag = measure(bench, "ohms AIRBAG.C1.1 to G4")
    assert () == gentle.harm
    assert any("spreads" in caution for caution in thick.cautions)
    assert any("Never pierce" in caution for caution in pierced.cautions)
    assert ("the insulation of the data pair at SP.powertrain.TCM.H is pierced",) == pierced.harm
    assert any(caution.startswith("Airbag circuit") for caution in airbag.cautions)
    assert ("an ohmmeter on the airbag circuit at AIRBAG.C1.1 can fire it",) == airbag.harm
    assert 120 + 30 == gentle.labor_s  # one breakout lead for both leads


# -- laws ------------------------------------------------------------------------------------------------

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
TERMINALS = sorted(node for node in TEACHING.terminals if ":" not in node)
FAULTS = [
    "pull F1",
    "unplug GATEWAY",
    "open ECM.C1.3",
    "short TCM.C1.4 to BODY",
    "unplug BAT.NEG",
    "corrode G2 5 ohm",
]


@settings(max_examples=40)
@given(
    faults=st.lists(st.sampled_from(FAULTS), unique=True, max_size=3),
    function=st.sampled_from(["volts", "ohms", "continuity"]),
    points=st.lists(st.sampled_from(TERMINALS), min_size=2, max_size=2, unique=True),
    by=st.sampled_from(["", *PROBING]),
)
def test_no_reading_is_ever_no_number(faults: list[str], function: str, points: list[str], by: str) -> None:
    """Any reading with any faults is finite or says that there is none."""
    bench = Bench(TEACHING, faults)
    try:
        reading = read(bench, f"measure {function} {points[0]} to {points[1]}{f' by {by}' if by else ''}")
    except EditProblem:
        return
    assert isinstance(reading, Measured)
    assert reading.value is None or math.isfinite(reading.value)
    assert "nan" not in reading.display.lower()
    floats = bench.live.reading.between(points[0], points[1]) is None
    if floats:
        assert reading.floating


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("open ECM.C1.3",), ("corrode ECM.C1.3 10000000 ohm",)),
        (("unplug TCM",), tuple(f"open {pin.id}" for pin in TEACHING.connectors["TCM.C1"].pins)),
        (("pull F1",), ("blow F1",)),
        (("short ECM.C1.4 to BODY 2 ohm",), ("short BODY to ECM.C1.4 2 ohm",)),
        (("pull F2", "unplug GATEWAY"), ("unplug GATEWAY", "pull F2")),
    ],
)
def test_the_same_fault_written_in_two_ways_reads_the_same(
    one: tuple[str, ...], other: tuple[str, ...]
) -> None:
    """Two sentences for one fault give the same readings."""
    benches = Bench(TEACHING, one), Bench(TEACHING, other)
    for sentence in (
        "measure volts F1.2 to BODY",
        "measure volts ECM.C1.4 to BODY",
        "measure ohms DLC.6 to DLC.14",
    ):
        first, second = (read(bench, sentence) for bench in benches)
        assert isinstance(first, Measured)
        assert isinstance(second, Measured)
        assert first.value == pytest.approx(second.value, rel=1e-3, abs=2e-3)
