"""A table of modules becomes a car that runs; whatever else stands in its cells is told in one sentence."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.bench.bench import Bench
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import COLUMNS, TableProblem, TableRow, vehicle_file
from sim.vehicle.reading import car_from_text

VAN = [
    TableRow("GATEWAY", "power, body"),
    TableRow("ECM", "power", place=0),
    TableRow("TCM", "power", hears="ECM", sends="1A0 every 20 ms 8 bytes, 1B0"),
    TableRow("ABS", "power", fuse="F9 30 A", ground="G2"),
    TableRow("BCM", "body"),
    TableRow("CLUSTER", "body", hears="all"),
    TableRow("DOOR-LEFT", "body", inline="X2", fuse="F3"),
    TableRow("DOOR-RIGHT", "body", inline="X3", fuse="F3"),
    TableRow(),
    TableRow("CLIMATE", "body", hears="-"),
    TableRow("LIFT", "body"),
    TableRow("TRAILER", "body", inline="X4, X5"),
    TableRow("RADIO", "body"),
]


def van_bench() -> Bench:
    return Bench(car_from_text(vehicle_file(VAN, "Van", {"body": 125_000}), "van"))


def test_twelve_rows_make_a_car_that_runs_without_a_code_and_sleeps() -> None:
    """A table of twelve rows is a whole car: all modules answer, none sets a code, and all fall asleep."""
    bench = van_bench()
    bench.do_all(["wait 20 s", "key run", "wait 5 s", "scan"])
    assert bench.last_report is not None
    assert (12, 0, 0) == (
        len(bench.last_report.modules),
        len(bench.last_report.silent),
        len(bench.last_report.codes),
    )
    bench.do_all(["key off", "wait 30 s"])
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}


def test_what_the_rows_say_is_what_the_file_says() -> None:
    """Lines, bit rates, fuses, grounds, messages and monitors are those of the rows."""
    car = van_bench().base.built
    assert ("ECM terminated", "GATEWAY", "TCM", "DLC", "ABS terminated") == car.buses["power"].line
    assert (
        "GATEWAY terminated", "BCM", "CLUSTER", "X2", "DOOR-LEFT", "X2", "X3", "DOOR-RIGHT", "X3", "CLIMATE",
        "LIFT", "X4", "X5", "TRAILER", "X5", "X4", "RADIO terminated",
    ) == car.buses["body"].line  # fmt: skip
    assert (125_000, 500_000) == (car.buses["body"].bitrate_bps, car.buses["power"].bitrate_bps)
    assert (30, ("ABS",)) == (car.fuses["F9"].rating_a, car.fuses["F9"].feeds)
    assert ("DOOR-LEFT via X2", "DOOR-RIGHT via X3") == car.fuses["F3"].feeds
    assert ("G2",) == car.modules["ABS"].ground
    assert ["ECM"] == [one.from_ for one in car.modules["TCM"].hears]
    assert [0x1A0, 0x1B0] == [one.id for one in (car.modules["TCM"].sends or {}).values()]
    assert () == car.modules["CLIMATE"].hears
    assert 11 == len(car.modules["CLUSTER"].hears)


def test_an_unplugged_door_is_missed_by_those_who_listen_to_it() -> None:
    """The listeners set codes; modules that hear none of it set none."""
    bench = van_bench()
    bench.do_all(["key run", "wait 5 s", "unplug X2", "wait 5 s", "scan"])
    report = bench.last_report
    assert report is not None
    assert ("DOOR-LEFT",) == report.silent[:1]
    assert {"GATEWAY", "BCM", "CLUSTER"} <= {module for module, _ in report.codes}
    assert not {"CLIMATE", "TCM"} & {module for module, _ in report.codes}


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ([], "the table is empty: a row needs a module's name and its bus"),
        ([TableRow(bus="main")], "row 1, column 'module': a module needs a name"),
        ([TableRow("ECM")], "row 1, column 'bus': ECM needs a bus"),
        (
            [TableRow("ECM", "main"), TableRow(), TableRow("ECM", "b")],
            "row 3, column 'module': 'ECM' is in row 1 already",
        ),
        (
            [TableRow("DLC", "main")],
            "row 1, column 'module': the name 'DLC' is taken by the diagnostic connector",
        ),
        (
            [TableRow("ECM", "main", hears="BCN"), TableRow("BCM", "main")],
            "row 1, column 'listens to': no module 'BCN' in this table; did you mean 'BCM'?",
        ),
        (
            [TableRow("ECM", "main", hears="ECM")],
            "row 1, column 'listens to': ECM does not listen to itself",
        ),
        (
            [TableRow("ECM", "a", hears="BCM"), TableRow("BCM", "b")],
            "row 1, column 'listens to': needs BCM.status, which is sent on b, and no gateway connects that "
            "to a",
        ),
        (
            [TableRow("ECM", "main", fuse="F1 10 A"), TableRow("BCM", "main", fuse="F1 15 A")],
            "row 2, column 'fuse': F1 has 10 A in row 1",
        ),
        (
            [TableRow("ECM", "main", fuse="fuse one")],
            "row 1, column 'fuse': a fuse is written F3, or F3 15 A in engine bay (here: 'fuse one')",
        ),
        (
            [TableRow("ECM", "main"), TableRow("BCM", "main", ground="ECM")],
            "row 2, column 'ground': the name 'ECM' is taken by one of the modules",
        ),
        (
            [TableRow("ECM", "main", sends="100"), TableRow("BCM", "main", sends="100")],
            "row 2, column 'sends': identifier 0x100 is already sent by ECM.m100",
        ),
        (
            [TableRow("ECM", "main", sends="7A0")],
            "row 1, column 'sends': a message's identifier is at most 0x6FF: those above carry diagnosis "
            "(here: 0x7A0)",
        ),
        (
            [TableRow(f"M{k}", "main") for k in range(91)],
            "row 91, column 'module': a car has at most 90 modules",
        ),
        (
            [TableRow("M", " ".join(f"b{k}" for k in range(21)))],
            "row 1, column 'bus': a car has at most 20 buses",
        ),
    ],
)
def test_a_wrong_cell_is_told_by_row_and_column(rows: list[TableRow], sentence: str) -> None:
    """A mistake in a table names its row, its column and what is wrong."""
    with pytest.raises(Problem) as raised:
        vehicle_file(rows)
    assert sentence == str(raised.value)


CELL = st.one_of(
    st.sampled_from(
        ["", "ECM", "BCM", "F1", "G1", "X1", "K1", "key_run", "main", "main, b", "all", "-", "null", "off",
         "100", "100 every 5 ms 0 bytes", "F1 5 A", "F1 999 A", "R1"]
    ),
    st.text(max_size=12),
)  # fmt: skip
ROW = st.builds(
    TableRow, CELL, CELL, st.one_of(st.none(), st.floats()), CELL, CELL, CELL, CELL, CELL
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(ROW, max_size=5), st.text(max_size=10))
def test_any_table_is_a_car_or_one_sentence(rows: list[TableRow], title: str) -> None:
    """No table gives a traceback."""
    problem, text = told(rows, title)
    if problem is None:
        Bench(car_from_text(text, "this table"))
        return
    assert all(line.isprintable() for line in str(problem).splitlines())
    if isinstance(problem, TableProblem):
        assert not rows[problem.row - 1].is_empty
        assert problem.cell in COLUMNS
    else:
        assert str(problem).startswith(("the table is empty", "the name of the car"))


def told(rows: list[TableRow], title: str) -> tuple[Problem | None, str]:
    try:
        return None, vehicle_file(rows, title)
    except Problem as problem:
        return problem, ""


def test_a_module_may_be_called_by_its_words() -> None:
    """The words become one word, are kept as the title, and bring the codes of their role."""
    rows = [
        TableRow("Engine control module", "main", location="left of the battery: on the wall"),
        TableRow("Body module", "main"),
        TableRow("A/C (rear)  unit", "main", hears="Engine control module, Body-module"),
    ]
    built = car_from_text(vehicle_file(rows)).built
    assert {
        "Engine-control-module": "Engine control module",
        "Body-module": "Body module",
        "A-C-rear-unit": "A/C (rear) unit",
    } == {name: one.title for name, one in built.modules.items()}
    assert "left of the battery: on the wall" == built.modules["Engine-control-module"].location
    assert "Body-module" == built.power_modes.master
    assert ["Engine-control-module", "Body-module"] == [
        one.from_ for one in built.modules["A-C-rear-unit"].hears
    ]
    bench = Bench(car_from_text(vehicle_file(rows)))
    bench.do_all(["key run", "wait 5 s", "unplug Engine-control-module", "wait 5 s", "scan"])
    assert bench.last_report is not None
    assert ("Body-module", "U0100-87") in bench.last_report.codes
