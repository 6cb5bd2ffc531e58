"""A table is read as people write it, and all that is wrong with it is told at once, by line."""

from __future__ import annotations

import pytest

from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem, FileProblem
from sim.vehicle.quick_car import TableProblem, TableRow, vehicle_file
from sim.vehicle.reading import car_from_text
from sim.vehicle.table_text import rows_of_table, vehicle_of_table

TWO = [TableRow("Engine control module", "HS1"), TableRow("BCM", "HS1, comfort")]


@pytest.mark.parametrize(
    "text",
    [
        "Engine control module\tHS1\nBCM\tHS1\tcomfort",
        "Engine control module; HS1\nBCM; HS1, comfort",
        "Engine control module | HS1\nBCM | HS1 comfort",
        "# from memory\n\nEngine control module   HS1\nBCM HS1, comfort  # both",
        "Module,Network\nEngine control module,HS1\nBCM,HS1,comfort",
        'Name;Buses\nEngine control module;HS1\nBCM;"HS1, comfort"',
        "Module   Bus\nEngine control module   HS1\nBCM   HS1, comfort",
    ],
)
def test_a_table_may_be_written_in_many_ways(text: str) -> None:
    """Tabs, semicolons, bars, wide spaces and commas, with and without a heading, say the same."""
    assert TWO == rows_of_table(text)


def test_a_place_in_words_is_where_the_module_is() -> None:
    """A number is the stop on the line; words are the location, beside those of its own column."""
    read = rows_of_table("module;place;where;bus\nECM;2;;main\nBCM;under the dash;left;main")
    assert [
        TableRow("ECM", "main", place=2),
        TableRow("BCM", "main", location="under the dash, left"),
    ] == read


def test_all_that_is_wrong_with_a_table_is_told_by_line() -> None:
    """What cannot be read, and what cannot be: each with its line in the file."""
    with pytest.raises(FileProblem) as cells:
        rows_of_table("module;place;bus\nECM;2nd;main\nBCM;1;main\nTCM;x3;main;F3;G1", "van.csv")
    assert [
        "van.csv, line 2: a place is the number of a stop on the line (here: 2nd)",
        "van.csv, line 4: a place is the number of a stop on the line (here: x3)",
    ] == str(cells.value).splitlines()
    with pytest.raises(FileProblem) as rows:
        vehicle_of_table("# mine\nmodule;bus;fuse\nECM;main;F3 big\n\n4x4 unit;main;F4", "van.csv")
    name = "a name is a letter, then up to 39 letters, digits, _, + or -"
    assert [
        "van.csv, line 3: fuse: a fuse is written F3, or F3 15 A in engine bay (here: 'F3 big')",
        f"van.csv, line 5: module: {name} (here: '4x4-unit')",
    ] == str(rows.value).splitlines()


BOXED = """module,bus,fuse,fuse box
ECM,main,F5 20 A,engine bay
BCM,main,F1,cabin
TCM,main,F1,engine bay
DOOR-LEFT,main,F5,cabin
ABS,main,F6 30 A,engine bay
"""


@pytest.mark.parametrize("template", ["", "van"])
def test_two_boxes_may_have_a_fuse_of_one_number(template: str) -> None:
    """Each is described, in its box; the bare number is asked back, and a number of one box is its name."""
    car = car_from_text(vehicle_file(rows_of_table(BOXED), template=template), "table")
    fuses = {name: (one.location, one.rating_a) for name, one in car.built.fuses.items()}
    assert {"F5-engine-bay": ("engine bay", 20), "F5-cabin": ("cabin", 10), "F6": ("engine bay", 30)} == {
        name: fuses[name] for name in ("F5-engine-bay", "F5-cabin", "F6")
    }
    assert {"F1", "F5"}.isdisjoint(fuses), "what the table does not name has a number of its own"
    for sentence in ("pull F5", "blow F5", "theory F5 feeds ABS"):
        with pytest.raises(EditProblem, match="say which: F5-cabin, F5-engine-bay"):
            parse_edit(sentence, car)
    with pytest.raises(EditProblem, match=r"say which: F5-cabin\.2, F5-engine-bay\.2"):
        parse_edit("short F5.2 to BODY", car)
    assert "pull F5-cabin" == parse_edit("pull F5-cabin", car).text


def test_a_number_of_two_boxes_without_its_box_is_asked_back() -> None:
    """By its row, with what can be written."""
    rows = [*rows_of_table(BOXED), TableRow("RADIO", "main", fuse="F5")]
    with pytest.raises(TableProblem, match="F5 is in 2 boxes: write 'F5 in engine bay' or 'F5 in cabin'"):
        vehicle_file(rows)
