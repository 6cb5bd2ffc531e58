"""The failure table of a high-speed CAN bus, row by row, as instruments see it.

Three nodes, terminators inside the first and third, 12.6 V, the diagnostic connector beside node 2's splice.
Per row: who still communicates, what an ohmmeter reads at the connector with the battery off, and what a
voltmeter shows there on average while one node is dominant for a quarter of the time.

Verdicts and their standing:

- TI: answers of Texas Instruments engineers in their public forum (threads 1241050 and 793483) and
  application report SLLA651, "CAN bus faults"; read.
- J11: the bus faults of SAE J1939-11, which ISO 11783-2 lists too; from memory, to be checked against the
  standard.
- QA: technicians' and programmers' reports in public forums; read.
- DS: transceiver data sheets (TCAN1044-Q1, TCAN1146-Q1, MCP2551, MCP2561); read.
- inferred: no published verdict found; follows from the levels and the receiver's rules.

Resistances: the trade's 60 / 120 / 40 / about 0 / open (trade articles). Averages: computed beforehand with
ngspice 39 and by an independent node analysis of the same circuit, with one-way driver legs where it matters.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from sim.instruments.levels import Traffic
from sim.vehicle.car import Car
from sim.wiring.wiring import Reading
from tests.readings import ohms_between, volts_between

BEFORE = "SP.main.N2.{0}--SP.main.DLC.{0}"  # between node 2 and the diagnostic connector
BEHIND = "SP.main.DLC.{0}--N3.C1.{1}"  # between the diagnostic connector and node 3
ALL = [["N1", "N2", "N3"]]
WITHOUT_2 = [["N1", "N3"]]
OPEN_LINE = (1e5, math.inf)


@dataclass(frozen=True)
class Row:
    fault: str
    edits: tuple[str, ...]
    source: str
    talk: list[list[str]]
    off_ohm: float | tuple[float, float]
    sender: str | None  # who keeps sending; None: nobody can read its own bits
    average_v: tuple[float, float] | None
    line: str = "[N1 terminated, N2, DLC, N3 terminated]"

    @property
    def without_5_v(self) -> "Row":
        """With the battery off, the 5 V supply that a line is shorted to is dead as well."""
        return replace(self, edits=tuple(edit for edit in self.edits if edit != "offset G5 5 V"))


def cut(where: str, *legs: str) -> tuple[str, ...]:
    cavity = {"H": "3", "L": "4"}
    return tuple(f"open {where.format(leg, cavity[leg])}" for leg in legs)


FOUR = "[N1 terminated, N2 terminated, DLC, N3 terminated, R9 terminator]"
THREE = "[N1 terminated, N2 terminated, DLC, N3 terminated]"
TABLE = [
    Row("none", (), "DS: works", ALL, 60.2, "N1", (2.75, 2.25)),
    Row(
        "CANH open at the stub of node 2",
        ("open N2.main.H",),
        "TI, J11: that node lost, the rest works; the ohmmeter does not see it",
        [["N1", "N3", "(N2)"]],
        60.2,
        "N1",
        (2.75, 2.25),
    ),
    Row(
        "CANL open at the stub of node 2",
        ("open N2.main.L",),
        "TI, J11: as above",
        [["N1", "N3", "(N2)"]],
        60.2,
        "N1",
        (2.75, 2.25),
    ),
    Row(
        "CANH open mid-bus, seen from the far side",
        cut(BEFORE, "H"),
        "J11: none across, same side maybe",
        [["N1", "N2"]],
        120.0,
        "N1",
        (2.15, 2.15),
    ),
    Row(
        "CANH open mid-bus, seen from the same side",
        cut(BEHIND, "H"),
        "J11: none across, same side maybe",
        [["N1", "N2"]],
        120.0,
        "N1",
        (2.86, 2.14),
    ),
    Row(
        "CANL open mid-bus, seen from the far side",
        cut(BEFORE, "L"),
        "J11: none across, same side maybe",
        [["N1", "N2"]],
        120.0,
        "N1",
        (2.86, 2.85),
    ),
    Row(
        "CANL open mid-bus, seen from the same side",
        cut(BEHIND, "L"),
        "J11: none across, same side maybe",
        [["N1", "N2"]],
        120.0,
        "N1",
        (2.86, 2.14),
    ),
    Row(
        "both open mid-bus",
        cut(BEHIND, "H", "L"),
        "TI: half termination, seen by all; J11",
        [["N1", "N2"]],
        120.1,
        "N1",
        (2.86, 2.14),
    ),
    Row(
        "an end node unplugged",
        ("unplug N1",),
        "TI: half termination, works",
        [["N2", "N3"]],
        120.1,
        "N2",
        (2.86, 2.14),
    ),
    Row("CANH to ground", ("short DLC.6 to BODY",), "TI, J11: not possible", [], 60.0, None, (0.0, 0.0)),
    Row(
        "CANL to ground",
        ("short DLC.14 to BODY",),
        "TI: sometimes; J11: possible, degraded",
        ALL,
        60.0,
        "N1",
        (0.73, 0.0),
    ),
    Row(
        "CANH to battery",
        ("short DLC.6 to BAR",),
        "TI: sometimes; J11: no beyond the common-mode window",
        [],
        60.2,
        "N1",
        (12.6, 11.1),
    ),
    Row("CANL to battery", ("short DLC.14 to BAR",), "TI, J11: not possible", [], 60.2, "N1", (12.5, 12.6)),
    Row(
        "CANH to 5 V",
        ("offset G5 5 V", "short DLC.6 to G5"),
        "inferred: possible",
        ALL,
        60.2,
        "N1",
        (5.00, 4.28),
    ),
    Row(
        "CANL to 5 V",
        ("offset G5 5 V", "short DLC.14 to G5"),
        "inferred: not possible",
        [],
        60.2,
        None,
        (4.99, 5.00),
    ),
    Row(
        "CANH to CANL",
        ("short DLC.6 to DLC.14",),
        "TI 793483, QA, J11: not possible",
        [],
        0.1,
        None,
        (2.50, 2.50),
    ),
    Row(
        "one terminator missing",
        ("open N3:main.terminator",),
        "J11: possible; QA: worked on a bench",
        ALL,
        119.9,
        "N1",
        (2.86, 2.14),
    ),
    Row(
        "both terminators missing",
        ("open N1:main.terminator", "open N3:main.terminator"),
        "QA: no; one report of a 10 cm line that worked",
        [],
        OPEN_LINE,
        None,
        None,
    ),
    Row(
        "a third terminator",
        (),
        "trade articles: 40 ohm; inferred: works",
        ALL,
        40.1,
        "N1",
        (2.69, 2.31),
        THREE,
    ),
    Row(
        "a third terminator, clipped on",
        ("terminate DLC.6 to DLC.14",),
        "as above, written in another way",
        ALL,
        40.1,
        "N1",
        (2.69, 2.31),
    ),
    Row(
        "a fourth terminator",
        (),
        "inferred: works, below the 45 ohm of drivers (DS)",
        ALL,
        30.0,
        "N1",
        (2.66, 2.35),
        FOUR,
    ),
    Row(
        "node 2 without supply",
        ("pull F2",),
        "DS: does not load the bus",
        WITHOUT_2,
        60.2,
        "N1",
        (2.75, 2.25),
    ),
    Row(
        "node 2's ground 1 V up",
        ("offset G2 1 V",),
        "QA: below 1 V is normal; DS: -2..7 V",
        ALL,
        60.2,
        "N1",
        (3.00, 2.50),
    ),
    Row("node 2's ground 3 V up", ("offset G2 3 V",), "DS: -2..7 V", ALL, 60.2, "N1", (3.50, 3.00)),
    Row(
        "node 2's ground 6 V up",
        ("offset G2 6 V",),
        "inferred from DS: outside -2..7 V",
        WITHOUT_2,
        60.2,
        "N1",
        (4.25, 3.75),
    ),
    Row(
        "node 2's ground lost",
        ("open N2.GND",),
        "inferred: no ground is no supply",
        WITHOUT_2,
        60.2,
        None,
        None,
    ),
    Row(
        "CANH and CANL swapped at node 2",
        ("swap N2.main.H with N2.main.L",),
        "inferred: node 2 is deaf and destroys the others' bits",
        [],
        60.2,
        None,
        (2.50, 2.50),
    ),
]
IDS = [row.fault for row in TABLE]


def talking(found: Reading) -> list[list[str]]:
    """Modules of every group that communicates; a listener in brackets."""
    transceivers = found.car.transceivers.values()
    powered = (one for one in transceivers if one.module != "TESTER" and found.supply_v(one.module) >= 6)
    return [
        [*(one.split(".")[0] for one in members), *(f"({one.split('.')[0]})" for one in listeners)]
        for members, listeners, *_ in found.connectivity(frozenset(one.id for one in powered)).segments
    ]


@pytest.fixture
def car_of(three: Callable[..., Car]) -> Callable[..., Car]:
    return lambda row, *more: three("pull F4", *row.edits, *more, line=row.line)


@pytest.mark.parametrize("row", TABLE, ids=IDS)
def test_who_still_communicates(row: Row, car_of: Callable[..., Car], solved: Callable[..., Reading]) -> None:
    """For each fault of the table the modules that still communicate are the expected ones."""
    assert row.talk == talking(solved(car_of(row)))


@pytest.mark.parametrize("row", TABLE, ids=IDS)
def test_resistance_between_pins_6_and_14_with_the_battery_off(
    row: Row, car_of: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """For each fault an ohmmeter shows the resistance of the table."""
    found = solved(car_of(row.without_5_v, "unplug BAT.NEG"), asleep=True)
    ohm = ohms_between(found, Traffic(), "DLC.6", "DLC.14")
    if isinstance(row.off_ohm, tuple):
        low_ohm, high_ohm = row.off_ohm
        assert low_ohm < (math.inf if ohm is None else ohm) <= high_ohm
    else:
        assert row.off_ohm == pytest.approx(ohm, abs=0.4)


@pytest.mark.parametrize(
    "row", [row for row in TABLE if row.average_v], ids=[r.fault for r in TABLE if r.average_v]
)
def test_average_at_pins_6_and_14(
    row: Row, car_of: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """For each fault a voltmeter shows the averages of the table."""
    found = solved(car_of(row))
    traffic = Traffic((((f"{row.sender}.main",), 0.25),)) if row.sender else Traffic()
    shown = [volts_between(found, traffic, pin, "BODY") for pin in ("DLC.6", "DLC.14")]
    assert row.average_v == pytest.approx(shown, abs=0.1)


@pytest.mark.parametrize(
    ("edit", "high_ohm", "low_ohm"), [("short DLC.6 to BODY", 0, 60), ("short DLC.14 to BODY", 60, 0)]
)
def test_a_short_to_ground_is_found_from_each_line_to_ground(
    edit: str, high_ohm: float, low_ohm: float, three: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """Resistance to ground tells which line is shorted."""
    # between the lines it reads 60 ohm as if nothing were wrong: computed
    found = solved(three("unplug BAT.NEG", edit), asleep=True)
    to_ground = [ohms_between(found, Traffic(), pin, "BODY") for pin in ("DLC.6", "DLC.14")]
    assert [high_ohm, low_ohm] == pytest.approx(to_ground, abs=0.3)


def test_a_sleeping_bus_reads_nothing(three: Callable[..., Car], solved: Callable[..., Reading]) -> None:
    """Both lines of a sleeping bus are at 0 V."""
    # bias inactive, -0.1..0.1 V: TCAN1146-Q1 data sheet, read
    found = solved(three(), asleep=True)
    assert [0, 0] == pytest.approx(
        [volts_between(found, Traffic(), pin, "BODY") for pin in ("DLC.6", "DLC.14")], abs=0.1
    )


# What direct current alone gets wrong: (fault, node that reads N1 by its levels, and still is not online)
DC_WRONG = [
    ("CANH open at the stub of node 2", "N2"),  # it hears with 0.1 V to spare and cannot be heard
    ("CANL open at the stub of node 2", "N2"),
    ("CANH to battery", "N3"),  # common mode
    ("both terminators missing", "N3"),  # a dominant bit does not end in time
    ("node 2's ground 6 V up", "N2"),  # common mode
    ("CANH and CANL swapped at node 2", "N3"),  # node 2 destroys what the others send
]


@pytest.mark.parametrize(("fault", "node"), DC_WRONG)
def test_rows_that_direct_current_gets_wrong_come_out_right(
    fault: str, node: str, car_of: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """A node that still has a level between its lines may yet not communicate."""
    found = solved(car_of(next(row for row in TABLE if row.fault == fault)))
    driven = found.while_dominant("N1.main")
    lines = f"{node}:main.H", f"{node}:main.L"
    assert (found.between(*lines) or 0.0) < 0.5
    assert 0.9 < (driven.between(*lines) or 0.0)
    assert not any(node in group for group in talking(found))
