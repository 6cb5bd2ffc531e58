"""What people see and do, in a real browser: the first visit, the must-show story, the bypass, and a
refresh."""

import re

from playwright.sync_api import Browser, Page, expect

from tests.ui.browser import (
    button,
    choose_several,
    drive,
    go,
    opened,
    panel,
    pick,
    redrawn,
    say,
    scan,
    silent_modules,
    state,
    text_of,
    turn_to,
)
from tests.ui.browser import choose as type_and_choose

MINIBUS = "Shuttle minibus, 41 modules"


def choose(page: Page, label: str, option: str) -> None:
    """Choose from a list by its label."""
    page.get_by_label(label, exact=True).first.click()
    with redrawn(page):
        page.get_by_role("option", name=option, exact=True).click()


def seat(page: Page) -> str:
    panel(page, "Seat")
    return text_of(page.locator(".st-key-the_panel .readout"))


def hear_the_complaint(page: Page) -> None:
    """Take the baker's car and try to start it: it cranks for ever."""
    button(page, "The bakery's car")
    expect(page.get_by_text("The customer says: It cranks and cranks")).to_be_visible()
    button(page, "crank")
    assert "engine not running" in seat(page)


def ask_why_a_code_is_there(page: Page, code: str, cause: str) -> None:
    """Pick a code in the scan; the answer ends at its cause."""
    pick(page, f"code {code}")
    expect(page.locator(".st-key-because .edit")).to_have_text(re.compile(cause))


def clear_and_scan(page: Page, *unlocked: str) -> str:
    """Unlock what guards the codes, clear them, and scan once more."""
    panel(page, "Tester")
    for gateway in unlocked:
        button(page, f"Unlock {gateway}")
    button(page, "Clear all codes")
    return scan(page)


def test_a_first_visit_ends_in_a_found_and_proven_repair(page: Page) -> None:
    """A visitor gets from the complaint to an empty report with what the pages say, and nothing else."""
    hear_the_complaint(page)
    assert "8 of 8 modules answer" in scan(page)
    ask_why_a_code_is_there(page, "ECM P0351-13", "F14: missing")
    panel(page, "Part")
    type_and_choose(page, "part", "F15")
    pick(page, "fuse F14")
    button(page, "Fit F14")
    panel(page, "Seat")
    pick(page, "key crank")
    assert "engine running" in seat(page)
    expect(page.locator(".controls [aria-pressed=true]")).to_have_attribute("data-id", "key run")
    assert "8 of 8 modules answer, 0 codes" in clear_and_scan(page)
    expect(page.get_by_text("Found, repaired, proven.")).to_be_visible()


def test_a_long_wait_can_be_called_off(page: Page) -> None:
    """The button beside the progress bar stops the work, and the car is as before."""
    button(page, "The minibus without its trailer socket")
    button(page, "Press start with brake")
    panel(page, "Work")
    page.get_by_label("or say it in words").fill("wait 20000 s")
    page.get_by_role("button", name="Do it", exact=True).click()
    page.get_by_role("button", name="Cancel").click()
    expect(page.get_by_text("canceled; the car is as before")).to_be_visible(timeout=60_000)
    panel(page, "Log")
    log = page.locator(".st-key-log")
    expect(log).to_contain_text("Press start with brake")
    expect(log).not_to_contain_text("20000")


def try_to_start_without_the_trailer_module(page: Page) -> None:
    """The engine module waits for the trailer module; the car does not crank and cannot be switched off."""
    button(page, "Press start with brake")
    assert "not asked" == state(page, "ECM")
    assert {"ignition run", "engine not running"} <= set(
        re.findall(r"ignition run|engine not running", seat(page))
    )
    expect(page.locator(".telltale.lit", has_text="security")).to_be_visible()
    assert "39 of 41 modules answer" in scan(page)
    assert "waits: TRAILER" in state(page, "ECM")
    expect(page.locator("[data-id='silent ECM']")).to_be_visible()
    drive(page, "Press start")
    assert "ignition run" in seat(page)


def ask_why_it_cannot_be_switched_off(page: Page) -> None:
    """The answer about the power mode tells of the switch-off that was asked for."""
    panel(page, "Why")
    choose(page, "why", "the power mode")
    expect(page.locator(".st-key-because")).to_contain_text("off")


def plug_the_trailer_module_in(page: Page) -> None:
    """Now the starter cranks the engine; a code of the coils is left."""
    pick(page, "module TRAILER")
    button(page, "Plug TRAILER.C1")
    assert "running" in state(page, "ECM")
    drive(page, "Press start with brake")
    assert "engine not running" in seat(page)
    expect(page.locator(".st-key-what_it_brought")).to_contain_text("the starter cranks the engine")
    assert "41 of 41 modules answer" in scan(page)
    expect(page.locator("[data-id='code ECM P0351-13']")).to_be_visible()


def fit_the_fuse_and_prove_the_repair(page: Page) -> None:
    """With the coils' fuse the engine runs, no code comes back, and the car can be switched off."""
    say(page, "fit F11")
    drive(page, "Press start with brake")
    assert "engine running" in seat(page)
    assert "41 of 41 modules answer, 0 codes" in clear_and_scan(page, "GATEWAY")
    drive(page, "Press start")
    assert "ignition off" in seat(page)


def test_the_minibus_that_waits_for_its_trailer_module(page: Page) -> None:
    """The must-show story, by clicks: theory, trailer module off, coil fuse out."""
    button(page, "The minibus without its trailer socket")
    try_to_start_without_the_trailer_module(page)
    ask_why_it_cannot_be_switched_off(page)
    plug_the_trailer_module_in(page)
    fit_the_fuse_and_prove_the_repair(page)


def play_all_combinations(page: Page, count: int) -> dict[str, list[str]]:
    """The lines of the grid by their names; a cell for each combination."""
    with redrawn(page):
        page.get_by_role("button", name=f"Play all {count} combinations").click()
    table = page.locator(".st-key-cases table")
    expect(table).to_be_visible(timeout=300_000)
    rows = [row.split("\t") for row in table.inner_text().splitlines() if "\t" in row]
    return {name.removesuffix(" differs"): [cell.strip() for cell in cells] for name, *cells in rows}


def test_the_same_story_side_by_side_with_and_without_the_theory(page: Page) -> None:
    """The grid of a theory shows both of its cars beside each other."""
    button(page, "The minibus without its trailer socket")
    turn_to(page, "What if")
    lines = play_all_combinations(page, 8)
    assert 8 == len(lines["engine"])
    assert ["ECM, TRAILER", "ECM, TRAILER", "none", "none", "TRAILER", "TRAILER", "none", "none"] == lines[
        "no answer from"
    ]
    assert ("does not crank", "cranks and starts") == (lines["engine"][0], lines["engine"][7])


def take_the_minibus(page: Page) -> None:
    """Choose the minibus; it opens in the bay."""
    choose(page, "a car that comes with busbay", MINIBUS)
    button(page, "Into the bay")
    expect(page.locator(".st-key-panel")).to_be_visible()


def bypass_the_gateway(page: Page, *buses: str) -> None:
    """Put a lead that joins some buses in the gateway's place, after the caution about it."""
    pick(page, "module GATEWAY")
    choose_several(page, "buses that it joins", *buses)
    expect(page.get_by_text("hides faults and makes new ones")).to_be_visible()
    button(page, "Unplug it and fit the lead")
    expect(page.locator("path.lead")).to_have_count(1)
    assert "no supply" in state(page, "GATEWAY")


def test_a_bypass_lead_in_place_of_the_gateway_brings_back_its_buses_only(page: Page) -> None:
    """With the lead fitted, the modules of the joined buses answer and no others."""
    take_the_minibus(page)
    button(page, "Press start with brake")
    bypass_the_gateway(page, "diag", "powertrain")
    scan(page)
    silent = set(silent_modules(page))
    assert {"GATEWAY", "ABS", "BCM", "RADIO"} <= silent
    assert set() == silent & {"ECM", "TCM", "FUEL-PUMP", "GEAR-SELECTOR"}


def test_a_refresh_of_the_browser_loses_nothing(page: Page) -> None:
    """Bench, log and chosen panel are there again after the page is loaded anew."""
    turn_to(page, "Bay")
    say(page, "unplug ABS", "wait 3 s")
    panel(page, "Log")
    before = text_of(page.locator(".st-key-log"))
    where = text_of(page.locator(".st-key-headline")).splitlines()[0]
    go(page, page.url)
    panel(page, "Log")
    assert before == text_of(page.locator(".st-key-log"))
    assert where == text_of(page.locator(".st-key-headline")).splitlines()[0]
    assert "no supply" in state(page, "ABS")


def test_clicks_during_work_are_all_done(page: Page) -> None:
    """Their order is the front end's where they come within one drawing."""
    button(page, "The minibus without its trailer socket")
    for words in ("+ 1 min", "+ 1 s", "+ 10 s", "Hold the brake"):
        page.get_by_role("button", name=words, exact=True).click(no_wait_after=True)
        page.wait_for_timeout(100)
    panel(page, "Log")
    lines = page.locator(".st-key-log li")
    expect(lines).to_have_count(6)
    assert {"Wait 20 s", "Wait 60 s", "Wait 1 s", "Wait 10 s", "Hold the brake"} == set(
        lines.all_inner_texts()
    )


def focused(page: Page) -> str:
    """What has the focus on a sheet; nothing where it is elsewhere."""
    return str(
        page.evaluate(
            """() => {
            let one = document.activeElement;
            while (one && one.shadowRoot) one = one.shadowRoot.activeElement;
            return (one && one.dataset && one.dataset.id) || '';
            }"""
        )
    )


def walk_on_the_map_by_arrow_keys(page: Page) -> None:
    """From the TCM to a module beside it and back."""
    page.locator("[data-id='module TCM']").first.focus()
    page.keyboard.press("ArrowRight")
    assert focused(page).startswith("module ")
    assert "module TCM" != focused(page)
    page.keyboard.press("ArrowLeft")
    assert "module TCM" == focused(page)


def test_the_map_can_be_worked_by_keyboard_alone(page: Page) -> None:
    """Tab reaches the map once, arrow keys move on it, and Enter picks a part."""
    turn_to(page, "Bay")
    walk_on_the_map_by_arrow_keys(page)
    with redrawn(page):
        page.keyboard.press("Enter")
    expect(page.locator(".st-key-module_state")).to_be_visible()
    page.locator("[data-id='module TCM']").first.focus()
    page.keyboard.press("Tab")
    assert "" == focused(page), "a map of many modules is one stop of the Tab key"
    expect(page.get_by_role("button", name="Unplug TCM.C1")).to_be_visible()


def test_a_wrong_own_file_is_told_in_one_sentence_with_its_line(page: Page) -> None:
    """A vehicle file with a mistake is refused with the line and the value."""
    page.get_by_text("Your own car: upload, view, download").click()
    text = "car: Mine\nbuses:\n  main: {line: [ECM, TCM]}\nmodules:\n  ECM: {heers: [TCM]}\n  TCM: {}\n"
    with redrawn(page):
        page.locator("input[type=file]").first.set_input_files(
            {"name": "mine.yaml", "mimeType": "application/yaml", "buffer": text.encode()}
        )
    expect(page.get_by_text("mine.yaml, line 5")).to_contain_text(
        "unknown key 'heers'; did you mean 'hears'?"
    )


def test_a_phone_gets_a_narrow_map_and_nothing_runs_off_its_side(started: Browser, address: str) -> None:
    """On a narrow screen the narrow layout is drawn and the page does not scroll sideways."""
    page = opened(started, address, viewport={"width": 390, "height": 844})
    button(page, "The minibus without its trailer socket")
    expect(page.locator("svg.map[role=group]")).to_have_attribute("viewBox", re.compile(r"^0 0 4\d\d "))
    main = page.locator("[data-testid=stMain]")
    assert main.evaluate("one => one.scrollWidth <= one.clientWidth + 1")
    top = "one => one.getBoundingClientRect().top"
    panel_top, map_top = (page.locator(one).evaluate(top) for one in (".st-key-panel", "svg.map[role=group]"))
    assert panel_top < map_top, "what there is to do comes before the long map"
    page.close()
