"""A technician describes a car: the table is kept, becomes a file, and is in the bay; by typing in a
browser as well."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, TimeoutError, expect
from streamlit.testing.v1 import AppTest

from sim.vehicle.quick_car import TableRow, vehicle_file
from tests.ui.browser import browser, button, front_end, go, opened, redrawn
from ui.state import kept
from ui.state.car_table import KIND, CarTable, frame_of, rows_of

ROWS = [
    TableRow("ECM", "main", place=2),
    TableRow("BCM", "main, body"),
    TableRow("DOOR-LEFT", "body", inline="X1", fuse="F3 15 A"),
]


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))


def _page() -> None:
    from ui.state.session import open_session
    from ui.views import quick_car

    open_session()
    quick_car.show()


def opened_with(table: CarTable) -> AppTest:
    app = AppTest.from_function(_page, default_timeout=60)
    app.session_state["quick"] = table
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def test_a_described_car_goes_into_the_bay() -> None:
    """The car of the table is in the bay under its name, with the file that the table makes."""
    app = opened_with(CarTable("Ruth's van", ROWS))
    app.button(key="quick_bay").click().run()
    held = app.session_state["held"]
    assert "" == held.problem
    assert (held.car.title, list(held.car.built.modules)) == ("Ruth's van", ["ECM", "BCM", "DOOR-LEFT"])
    assert vehicle_file(ROWS, "Ruth's van") == held.car_text


def test_a_name_that_may_be_misspelled_is_asked_about_and_either_answer_settles_it() -> None:
    """`bdoy` beside two rows of `body`: write the usual name, or keep this one; both are kept."""
    rows = [*ROWS, TableRow("SEAT", "body"), TableRow("ROOF", "bdoy")]
    app = opened_with(CarTable("Van", rows))
    assert ["row 5, column 'bus': only this row says 'bdoy'; was 'body' meant?"] == [
        one.value for one in app.info
    ]
    app.button(key="quick_meant_0").click().run()
    assert "body" == app.session_state["quick"].rows[4].bus
    app.button(key="tables_undo").click().run()
    app.button(key="quick_right_0").click().run()
    assert ([], ["bdoy"]) == ([*app.info], CarTable.from_text(app.session_state["quick"].text()).meant)
    assert "bdoy" == app.session_state["quick"].rows[4].bus


def test_a_table_that_was_emptied_comes_back() -> None:
    """Undo restores the table that a button has replaced."""
    app = opened_with(CarTable("Van", ROWS))
    app.button(key="quick_empty").click().run()
    assert CarTable() == app.session_state["quick"]
    app.button(key="tables_undo").click().run()
    assert CarTable("Van", ROWS) == app.session_state["quick"]
    assert [] == [error.message for error in app.exception]


def test_what_stands_in_the_table_is_kept_on_disk_under_the_key_of_the_session() -> None:
    """Title, rows and bit rates are found again on disk."""
    app = opened_with(CarTable("Van", ROWS, {"body": 125_000}))
    text = kept.kept(KIND, app.session_state["held"].key)
    assert CarTable("Van", ROWS, {"body": 125_000}) == CarTable.from_text(text)


def test_a_wrong_cell_is_told_and_the_car_cannot_be_taken() -> None:
    """The warning names row, column and the nearest module; the button is off."""
    app = opened_with(CarTable("Van", [*ROWS, TableRow("CLUSTER", "body", hears="DOR-LEFT")]))
    assert [warning.value for warning in app.warning] == [
        "row 4, column 'listens to': no module 'DOR-LEFT' in this table; did you mean 'DOOR-LEFT'?"
    ]
    assert app.button(key="quick_bay").disabled


def test_a_table_of_an_older_version_is_kept() -> None:
    """A column that came later is empty; what was written is there."""
    text = '{"title": "Van", "rows": [{"module": "ECM", "bus": "main", "place": 2.0}], "bitrates": {}}'
    assert CarTable("Van", [TableRow("ECM", "main", place=2)]) == CarTable.from_text(text)


@pytest.mark.parametrize(
    "text", [None, "", "[]", "{}", '{"title": 1, "rows": [{}], "bitrates": {}}', "nonsense"]
)
def test_what_is_no_table_is_an_empty_table(text: str | None) -> None:
    """Kept text of any other form gives an empty table and no error."""
    assert CarTable() == CarTable.from_text(text)


def test_rows_keep_the_number_that_stands_before_them() -> None:
    """Also where a row between them was taken away."""
    frame = frame_of(ROWS).drop(2)
    assert [ROWS[0], TableRow(), ROWS[2]] == rows_of(frame)


class Uploaded:
    """A file as the browser hands it over."""

    def __init__(self, name: str, content: bytes) -> None:
        self.name, self._content = name, content

    def getvalue(self) -> bytes:
        return self._content


def imported(file: Uploaded, channel: str | None = None) -> AppTest:
    def page(file: object, channel: object) -> None:
        from ui.state import car_table
        from ui.state.session import open_session
        from ui.views import quick_car

        open_session()
        car_table.begin_with_log(file, channel)
        quick_car.show()

    app = AppTest.from_function(page, args=(file, channel), default_timeout=60).run()
    assert [] == [error.message for error in app.exception]
    return app


def test_a_recorded_bus_log_begins_a_table() -> None:
    """In the format of candump (its manual page): time, channel, identifier#data."""
    lines = [
        f"({time_ms / 1000:.6f}) can0 {can_id}#0102\n"
        for time_ms in range(0, 1000, 50)
        for can_id in ("1A0", "2B0")
    ]
    table = imported(Uploaded("day.log", "".join(lines).encode())).session_state["quick"]
    sent = [(row.module, row.sends) for row in table.rows]
    assert [("U1", "1A0 every 50 ms 2 bytes"), ("U2", "2B0 every 50 ms 2 bytes")] == sent
    assert "From day.log" == table.title


def test_a_file_that_is_no_log_is_told_by_its_own_name() -> None:
    """The refusal names the file as the user knows it."""
    app = imported(Uploaded("day.log", b"nothing of the kind"))
    assert 1 == len(app.error)
    assert app.error[0].value.startswith("day.log ")


def write(page: Page, cell: tuple[float, float], text: str, leave_by: str) -> None:
    """Write into the cell that is chosen; it is chosen once more where the grid was just drawn anew."""
    editor = page.locator("#portal input, #portal textarea")
    for _ in range(5):
        page.keyboard.press("Enter")
        try:
            editor.wait_for(timeout=3000)
            break
        except TimeoutError:
            page.mouse.click(*cell)
    editor.fill(text)
    page.keyboard.press(leave_by)
    expect(editor).to_have_count(0)


def test_a_small_car_is_typed_into_the_table_and_stands_in_the_bay(chromium: str) -> None:
    """Five modules on two buses by the keyboard, a slip told, a refresh survived, then into the bay."""
    with front_end() as address, browser(chromium) as started:
        page = opened(started, f"{address}/describe", viewport={"width": 1366, "height": 900})
        table = page.locator("[data-testid=stDataFrame]").first
        box = table.bounding_box()
        assert box is not None
        columns, rows = [box["x"] + at for at in (110, 290)], [box["y"] + 52 + 33 * at for at in range(4)]
        page.mouse.click(columns[0], rows[0])
        typed = (("ECM", "main"), ("GATEWAY", "main, body"), ("CLUSTER", "body"), ("DOOR-LEFT", "bo dy"))
        for row, (name, bus) in zip(rows, typed, strict=True):
            write(page, (columns[0], row), name, "Tab")
            write(page, (columns[1], row), bus, "Enter")
            page.keyboard.press("ArrowLeft")
        drawing = page.locator(".st-key-quick_map")
        expect(drawing.locator("[data-id='module DOOR-LEFT']").first).to_be_visible(timeout=30_000)
        expect(page.get_by_text("4 modules, 4 buses")).to_be_visible()
        page.mouse.click(columns[1], rows[3])
        write(page, (columns[1], rows[3]), "body", "Enter")
        expect(page.get_by_text("4 modules, 2 buses")).to_be_visible(timeout=30_000)
        page.wait_for_timeout(500)
        go(page, page.url)
        expect(page.get_by_text("4 modules, 2 buses")).to_be_visible(timeout=30_000)
        button(page, "Into the bay")
        page.wait_for_selector(".st-key-panel")
        expect(page.locator("[data-id='module DOOR-LEFT']").first).to_have_attribute(
            "aria-label", re.compile("asleep")
        )
        with redrawn(page):
            page.get_by_role("button", name="run", exact=True).click()
        expect(page.locator("[data-id='module DOOR-LEFT']").first).to_have_attribute(
            "aria-label", re.compile("running")
        )
        page.close()
