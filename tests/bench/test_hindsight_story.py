"""The hindsight story: a trailer module that nobody suspects, a coil fuse, a theory about the engine module.

The minibus came back from the workshop that fitted its trailer socket. It does not crank, the ignition does
not switch off, the engine module does not answer. Would it all have been there had the trailer module been
plugged in, and what did the missing fuse of the ignition coils do?
"""

from dataclasses import dataclass, field

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_code, why_engine, why_mode, why_silent, why_telltale
from sim.bench.tester import Report, difference
from sim.instruments.seat import seat_of
from sim.vehicle.car import Car

THEORY = "theory ECM waits for TRAILER"
MODULE_OFF = "unplug TRAILER"
FUSE_OUT = "pull F11"


@dataclass(frozen=True)
class Seen:
    """What a scan and the driver's seat show. Codes with their status byte in hex, by module."""

    silent: tuple[str, ...] = ()
    codes: dict[str, str] = field(default_factory=dict)
    lamps: tuple[str, ...] = ()
    mode: str = "run"
    engine: str = "running"
    after_stop: str = "off"  # the mode after another press of the button


def seen(bench: Bench) -> Seen:
    report = bench.do("scan").report
    assert report is not None
    seat = seat_of(bench)
    codes = codes_of(report)
    bench.do_all(["press start", "wait 3 s"])
    return Seen(report.silent, codes, seat.lit, seat.ignition, seat.engine, seat_of(bench).ignition)


def codes_of(report: Report) -> dict[str, str]:
    return {
        entry.module: " ".join(f"{code.code} {code.status:02X}" for code in entry.codes)
        for entry in report.modules
        if entry.codes
    }


# 2F: failing now, pending, confirmed, failed since clear and in this cycle; tests complete (ISO 14229-1)
COILS = {"ECM": "P0351-13 2F P0352-13 2F P0353-13 2F P0354-13 2F"}
NO_TRAILER_MODULE = {
    "UPFIT": "U1120-87 2F",
    "LAMPS-REAR": "U045A-86 2F U1120-87 2F",
    "PARK-AID": "U1120-87 2F",
    "CAMERA-REAR": "U045A-86 2F",
}
NO_ENGINE_MODULE = dict.fromkeys(
    ("GATEWAY", "TCM", "FUEL-PUMP", "GEAR-SELECTOR", "ABS", "DISTANCE", "STEERING", "PARK-BRAKE",
     "BCM", "CLUSTER", "IMMOBILIZER", "CLIMATE", "HEATER", "TELEMATICS", "LIFT", "TACHO"), "U0100-87 2F",
)  # fmt: skip
WHOLE = Seen(lamps=("park_brake",))
NO_SPARK = Seen((), COILS, ("mil", "battery", "park_brake"), "run", "stopped", "off")
ENGINE_MODULE_WAITS = Seen(
    ("ECM", "TRAILER"),
    {**NO_TRAILER_MODULE, **NO_ENGINE_MODULE},
    ("security", "mil", "battery", "park_brake", "gearbox"),
    "run",
    "stopped",
    "run",
)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ([THEORY], WHOLE),
        ([THEORY, FUSE_OUT], NO_SPARK),
        ([THEORY, MODULE_OFF], ENGINE_MODULE_WAITS),
        # with both, nothing tells of the fuse: whoever would notice it waits
        ([THEORY, MODULE_OFF, FUSE_OUT], ENGINE_MODULE_WAITS),
        ([], WHOLE),
        ([FUSE_OUT], NO_SPARK),
        ([MODULE_OFF], Seen(("TRAILER",), NO_TRAILER_MODULE, ("park_brake",))),
        (
            [MODULE_OFF, FUSE_OUT],
            Seen(
                ("TRAILER",),
                {**NO_TRAILER_MODULE, **COILS},
                ("mil", "battery", "park_brake"),
                "run",
                "stopped",
            ),
        ),
    ],
    ids=lambda value: " + ".join(value) if isinstance(value, list) else "",
)
def test_fuse_and_trailer_module_with_and_without_the_theory(
    given: list[str], expected: Seen, minibus: Car
) -> None:
    """All four combinations of fuse and module, under the theory and without it."""
    bench = Bench(minibus, given)
    bench.do_all(["wait 15 s", "press start with brake", "wait 10 s"])
    assert expected == seen(bench)


def test_the_repair_step_by_step(minibus: Car) -> None:
    """Plugging the module brings the engine module back, cranking without a start; the fuse ends it all."""
    bench = Bench(minibus, [THEORY, MODULE_OFF, FUSE_OUT])
    bench.do_all(["wait 15 s", "press start with brake", "wait 10 s", "scan", "save as it came"])
    assert ("stopped", "security") == (seat_of(bench).engine, seat_of(bench).lit[0])
    assert [] == [event for event in bench.trace.events if event.text == "the starter cranks the engine"]

    bench.do_all(["plug TRAILER", "wait 3 s"])
    assert "running" == bench.live.modules["ECM"].state
    assert "security" not in seat_of(bench).lit
    bench.do_all(["press start with brake", "wait 1 s"])
    assert ("cranking", "crank") == (seat_of(bench).engine, seat_of(bench).ignition)
    bench.do_all(["wait 8 s", "scan", "save plugged"])
    assert ("stopped", "run") == (seat_of(bench).engine, seat_of(bench).ignition)
    stored = {name: codes.replace("2F", "2E") for name, codes in ENGINE_MODULE_WAITS.codes.items()}
    assert {**stored, **COILS} == codes_of(bench.reports["plugged"])
    change = difference(bench.reports["as it came"], bench.reports["plugged"])
    coil_codes = tuple(("ECM", f"P035{n}-13") for n in (1, 2, 3, 4))
    assert (coil_codes, (), (), ("ECM", "TRAILER")) == (
        change.new_codes, change.gone_codes, change.now_silent, change.now_answering
    )  # fmt: skip

    bench.do("fit F11")
    assert "the gateway is locked: unlock it first" == bench.do("clear").words
    bench.do_all(["unlock GATEWAY", "clear", "wait 3 s", "press start", "wait 2 s"])
    bench.do_all(["press start with brake", "wait 5 s"])
    assert WHOLE == seen(bench)
    bench.do("wait 30 s")
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}


def test_why_leads_from_every_complaint_to_the_edits(minibus: Car) -> None:
    """Silent module, mode that stays, lamp, engine, codes: the sentences behind them end at what was done."""
    bench = Bench(minibus, [THEORY, MODULE_OFF, FUSE_OUT])
    bench.do_all(["wait 15 s", "press start with brake", "wait 10 s", "press start"])
    waits = ["suppose that ECM waits for TRAILER", "given: unplug TRAILER.C1"]
    assert waits == why_silent(bench, "ECM").to_edits().roots()
    assert waits[1:] == why_silent(bench, "TRAILER").to_edits().roots()
    assert waits == why_mode(bench).to_edits().roots()
    assert waits == why_telltale(bench, "security").to_edits().roots()
    assert [*waits, "given: pull F11"] == why_engine(bench).to_edits().roots()
    assert waits == why_code(bench, "BCM", "U0100-87").to_edits().roots()
    assert waits[1:] == why_code(bench, "CAMERA-REAR", "U045A-86").to_edits().roots()
    assert [
        "CAMERA-REAR sets U045A-86: PARK-AID.parking carries invalid values",
        "  because PARK-AID does not receive TRAILER.trailer",
        "    because given: unplug TRAILER.C1",
    ] == [line.partition(" (at")[0] for line in why_code(bench, "CAMERA-REAR", "U045A").to_edits().lines()]

    bench.do_all(["plug TRAILER", "wait 3 s", "press start with brake", "wait 1 s"])
    assert ["given: pull F11"] == why_code(bench, "ECM", "P0351").to_edits().roots()
    assert "the engine cranks but does not start" == why_engine(bench).text
    assert ["given: pull F11"] == why_engine(bench).to_edits().roots()
