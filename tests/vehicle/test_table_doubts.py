"""Names of a table that may be misspelled are asked about, not guessed."""

import pytest

from sim.vehicle.quick_car import TableProblem, TableRow, vehicle_file
from sim.vehicle.table_doubts import doubts_in, settled

ROWS = [TableRow("ECM", "main"), TableRow("ABS", "main"), TableRow(), TableRow("BCM", "main, body"),
        TableRow("DOOR", "bdoy"), TableRow("SEAT", "body")]  # fmt: skip


def test_a_bus_of_one_row_that_looks_like_another_is_asked_about() -> None:
    """With the row as the table numbers it, and the bus that was perhaps meant."""
    (doubt,) = doubts_in(ROWS)
    assert "row 5, column 'bus': only this row says 'bdoy'; was 'body' meant?" == str(doubt)
    assert "body" == settled(ROWS, doubt)[4].bus
    assert [] == list(doubts_in(settled(ROWS, doubt)))


def test_what_is_meant_is_not_asked_again() -> None:
    """Once it was said to be right."""
    assert [] == list(doubts_in(ROWS, ["bdoy"]))


@pytest.mark.parametrize(
    ("one", "other"), [("body", "body2"), ("G1", "G2"), ("main", "diag"), ("infotainment", "info")]
)
def test_names_that_differ_by_number_or_much_are_names_of_their_own(one: str, other: str) -> None:
    """Bus 1 and bus 2, ground G1 and G2."""
    rows = [TableRow("ECM", one, ground="G1"), TableRow("ABS", one, ground="G1")]
    assert [] == list(doubts_in([*rows, TableRow("TCM", other, ground="G2")]))


def test_all_wrong_cells_of_a_table_are_told_at_once() -> None:
    """Row by row, also those that the file would not take."""
    rows = [TableRow("E#M", "main"), TableRow("ABS", ""), TableRow("BCM", "main", fuse="15 A")]
    with pytest.raises(TableProblem) as found:
        vehicle_file(rows)
    assert ["row 1, column 'module'", "row 2, column 'bus'", "row 3, column 'fuse'"] == [
        line.split(":")[0] for line in str(found.value).splitlines()
    ]
