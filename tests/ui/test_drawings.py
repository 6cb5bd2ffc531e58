"""Drawings are functions of what may be seen; no name gets into them unescaped."""

import random
import re
from dataclasses import replace
from functools import partial
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import Because
from sim.bench.tester import ModuleReport, Report
from sim.catalogue import find_car
from sim.modules.uds_responses import ReportedDtc
from sim.training.rows import BoardRow
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.quick_car import TableRow, vehicle_file
from sim.vehicle.reading import car_from_text, read_car
from sim.vehicle.words import counted
from ui.drawing.car_map import LEAST_PX, car_map, module_box
from ui.drawing.class_sheets import board
from ui.drawing.dash import cluster
from ui.drawing.layout import NARROW, WIDE, Layout, for_a_projector, layout_of
from ui.drawing.tables import because_tree, report_table, side_by_side
from ui.state.visible import STATE_WORDS, all_visible

CARS = {path.stem: read_car(path) for path in sorted((scenarios_folder() / "vehicles").glob("*.yaml"))}
HOSTILE = "<script>alert(1)</script>&\"'"


def overlaps(layout: Layout) -> list[tuple[str, str]]:
    """Pairs of boxes that cover each other."""
    pairs = [(one, two) for place, one in enumerate(layout.boxes) for two in layout.boxes[place + 1 :]]
    return [
        (one.module, two.module)
        for one, two in pairs
        if one.x < two.x + two.w and two.x < one.x + one.w and one.y < two.y + two.h and two.y < one.y + one.h
    ]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("name", CARS)
def test_every_module_has_its_place_inside_the_map_and_none_covers_another(name: str, width: float) -> None:
    """On each shipped car every module has a box within the drawing, and no two overlap."""
    car = CARS[name]
    layout = layout_of(car, width)
    assert set(car.built.modules) == {box.module for box in layout.boxes}
    assert [] == overlaps(layout)
    assert [] == [box for box in layout.boxes if box.x < 0 or box.x + box.w > layout.width]
    assert [] == [box for box in layout.boxes if box.y < 0 or box.y + box.h > layout.height]


@pytest.mark.parametrize("name", CARS)
def test_the_stops_of_a_line_stand_in_the_order_of_the_diagram(name: str) -> None:
    """The drawn line has its stops in the order of the vehicle file, from either end."""
    car = CARS[name]
    for line in layout_of(car).lines:
        spec = car.claimed.lin.get(line.bus) or car.claimed.buses[line.bus]
        written = [item.split()[0] for item in spec.line]
        drawn = [stop.name for stop in line.stops]
        assert drawn in (written, written[::-1])


def random_car(seed: int) -> Car:
    """A car of up to five buses, joined by gateways anywhere on their lines."""
    chance = random.Random(seed)
    lines: dict[str, list[str]] = {f"b{number}": [] for number in range(chance.randint(1, 5))}
    buses = list(lines)
    for number in range(chance.randint(10, 30)):
        lines[buses[number % len(buses)] if number < 10 else chance.choice(buses)].append(f"M{number}")
    for number, bus in enumerate(buses[1:], start=1):
        gateway = f"GATEWAY{chance.randint(1, 3)}"
        for line in (lines[bus], lines[buses[chance.randrange(number)]]):
            if gateway not in line:
                line.insert(chance.choice([0, len(line), chance.randint(0, len(line))]), gateway)
    modules = list(dict.fromkeys(name for line in lines.values() for name in line))
    joints = {name for name in modules if sum(name in line for line in lines.values()) > 1}
    lines["b0"].append("DLC")
    return car_from_text(
        "car: random\nbuses:\n"
        + "".join(f"  {bus}: {{line: [{', '.join(line)}]}}\n" for bus, line in lines.items())
        + f"fuses: {{F1: {{rating_a: 30, feeds: [{', '.join(modules)}]}}}}\nmodules:\n"
        + "".join(f"  {name}: {{{'gateway: {}' if name in joints else ''}}}\n" for name in modules)
    )


@pytest.mark.parametrize("seed", range(40))
def test_the_map_of_any_car_covers_nothing(seed: int) -> None:
    """The same holds for cars of up to five buses with gateways anywhere."""
    car = random_car(seed)
    for width in (WIDE, NARROW):
        layout = layout_of(car, width)
        assert set(car.built.modules) == {box.module for box in layout.boxes}
        assert [] == overlaps(layout)
        assert [] == [box for box in layout.boxes if box.x < 0 or box.x + box.w > layout.width]


def drawn(bench: Bench) -> ElementTree.Element:
    text = car_map(bench.base, layout_of(bench.base), all_visible(bench), "module ECM")
    return ElementTree.fromstring(text)


def shapes(root: ElementTree.Element) -> dict[str, str]:
    """The class of every module's group."""
    groups = [group for group in root.iter("g") if group.get("data-id", "").startswith("module ")]
    return {group.attrib["data-id"].split()[1]: group.attrib["class"].split()[0] for group in groups}


def test_the_map_tells_each_modules_state_by_shape_word_and_label() -> None:
    """Shape, word and label for screen readers agree with the state of the module."""
    bench = Bench(CARS["shuttle-minibus"], ["theory ECM waits for TRAILER", "unplug TRAILER.C1"])
    bench.do("wait 2 s")
    root = drawn(bench)
    assert ("waiting", "unpowered", "running") == tuple(
        shapes(root)[name] for name in ("ECM", "TRAILER", "TCM")
    )
    labels = [group.get("aria-label", "") for group in root.iter("g")]
    assert "TRAILER trailer module: no supply" in labels
    assert "ECM engine control module: waits: TRAILER" in labels


def text_width(text: ElementTree.Element) -> float:
    """The width of a text of the map in DejaVu Sans, a wide font, by matplotlib's metrics."""
    weight = "bold" if text.get("class") == "name" else "normal"
    font = FontProperties(
        family="DejaVu Sans", weight=weight, size=float(text.attrib["font-size"].rstrip("px"))
    )
    return float(TextPath((0, 0), text.text or "", prop=font).get_extents().x1)


@pytest.mark.parametrize("word", [*STATE_WORDS.values(), "cut off", "waits"])
@pytest.mark.parametrize("name", CARS)
def test_the_words_of_a_module_stay_inside_its_box(name: str, word: str) -> None:
    """Names, any state and the number of codes end before the edges of the box."""
    car = CARS[name]
    visible = all_visible(Bench(car))
    shape = "waiting" if word == "waits" else "running"
    waiting_for = (max(visible.modules, key=len),) if word == "waits" else ()
    modules = {
        one.name: replace(
            one,
            shape=shape,
            word=word,
            waiting_for=waiting_for,
            code_count=12,
        )
        for one in visible.modules.values()
    }
    root = ElementTree.fromstring(car_map(car, layout_of(car), replace(visible, modules=modules)))
    for group in (one for one in root.iter("g") if one.get("data-id", "").startswith("module ")):
        face = next(rect for rect in group.iter("rect"))
        left, top = float(face.attrib["x"]), float(face.attrib["y"])
        right, bottom = left + float(face.attrib["width"]), top + float(face.attrib["height"])
        for text in group.iter("text"):
            x, y = float(text.attrib["x"]), float(text.attrib["y"])
            assert left < x < x + text_width(text) < right, text.text
            assert top < y < bottom, text.text


def test_a_long_name_without_a_hyphen_is_broken_where_a_syllable_begins() -> None:
    """IMMOBI-LIZER, TELE-MATICS: the syllables of a dictionary (from memory)."""
    bench = Bench(CARS["shuttle-minibus"])
    names: dict[str, list[str | None]] = {}
    for group in drawn(bench).iter("g"):
        if group.get("data-id", "").startswith("module "):
            names[group.attrib["data-id"]] = [
                one.text for one in group.iter("text") if "name" == one.get("class")
            ]
    assert ["IMMOBI-", "LIZER"] == names["module IMMOBILIZER"]
    assert ["TELE-", "MATICS"] == names["module TELEMATICS"]
    assert ["PARK-", "BRAKE"] == names["module PARK-BRAKE"]


def test_a_box_tells_its_codes_in_words() -> None:
    """The number of stored codes is a line of words in the box: none for a module without a code."""
    bench = Bench(CARS["six-modules"], ["unplug ABS"])
    bench.do_all(["press start", "wait 5 s"])
    groups = {one.get("data-id"): one for one in drawn(bench).iter("g") if one.get("data-id")}
    for name, module in all_visible(bench).modules.items():
        told = [text.text for text in groups[f"module {name}"].iter("text") if "code" in (text.text or "")]
        assert ([counted(module.code_count, "code")] if module.code_count else []) == told
    assert any(module.code_count for module in all_visible(bench).modules.values())


def test_a_bypass_lead_is_told_with_the_names_of_the_buses_that_it_joins() -> None:
    """Its words are part of those names, where they cover nothing; other buses do not have them."""
    bench = Bench(CARS["shuttle-minibus"], ["unplug GATEWAY.C1", "bypass GATEWAY diag to powertrain"])
    names = ["".join(one.itertext()) for one in drawn(bench).iter("text") if "bus-name" == one.get("class")]
    assert ["diagnostic line", "powertrain bus"] == [
        name.partition(" 500 kbit/s · bypass lead")[0] for name in names if "bypass lead" in name
    ]


def test_a_module_awake_with_nobody_in_touch_is_drawn_as_cut_off() -> None:
    """A module whose bus pins are open is drawn as alone, its neighbors as running."""
    bench = Bench(CARS["six-modules"])
    line = [pin.id for pin in bench.car.pins_of("TCM") if pin.function in ("main.H", "main.L")]
    bench.do_all(["press start", "wait 2 s", *(f"open {pin}" for pin in line)])
    assert "alone" == shapes(drawn(bench))["TCM"]
    assert "running" == shapes(drawn(bench))["ABS"]


def test_an_unplugged_connector_and_a_bypass_lead_are_drawn() -> None:
    """An unplugged connector is marked off on every bus, and a lead is drawn between the lines."""
    bench = Bench(CARS["shuttle-minibus"])
    bench.do_all(["unplug X5", "unplug GATEWAY", "bypass GATEWAY diag to powertrain"])
    root = drawn(bench)
    pills = [group for group in root.iter("g") if group.get("data-id") == "connector X5"]
    assert ["off", "off"] == [pill.get("class") for pill in pills]
    assert [] != [path for path in root.iter("path") if path.get("class") == "lead"]


def hostile_car() -> Car:
    """Six modules whose free texts are all of the worst kind."""
    text = (scenarios_folder() / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    word = _yaml(HOSTILE)
    text = re.sub(r"^car: .*$", lambda _: f"car: {word}", text, flags=re.MULTILINE)
    text = text.replace("ECM: {hears", f"ECM: {{title: {word}, location: {word}, hears", 1)
    return car_from_text(text.replace("main: {line", f"main: {{title: {word}, line", 1), "hostile.yaml")


def _yaml(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def test_no_name_of_a_file_gets_into_a_drawing_unescaped() -> None:
    """Names that are HTML appear as text in every drawing and table."""
    car = hostile_car()
    assert (HOSTILE, HOSTILE) == (car.title, car.built.modules["ECM"].title)
    bench = Bench(car)
    bench.do_all(["wait 1 s", "press start", "wait 3 s", "scan"])
    assert bench.last_report is not None
    visible = all_visible(bench)
    sheets = [
        car_map(car, layout_of(car), visible),
        cluster(visible.seat),
        report_table(bench.last_report),
        because_tree(Because(HOSTILE, 1.0, (Because(HOSTILE),))),
        side_by_side([HOSTILE, HOSTILE], [(HOSTILE, HOSTILE)]),
    ]
    assert [] == [text for text in sheets if "<script" in text]
    ElementTree.fromstring(sheets[0])


CHANGES = (
    "unplug ECM",
    "loosen TCM",
    "pull F1",
    "blow F2",
    "fit F3 20 A",
    "open G1",
    "corrode G1 0.5 ohm",
    "offset G1 1.5 V",
    "short DLC.6 to BODY",
    "terminate DLC.6 to DLC.14 120 ohm",
    "swap DLC.6 with DLC.14",
    "charge 30 %",
    "disconnect battery",
)


@pytest.mark.parametrize("text", CHANGES)
def test_everything_that_is_changed_is_listed_with_what_takes_it_back(text: str) -> None:
    """Each change is one line, and its undo makes the car whole."""
    bench = Bench(CARS["six-modules"])
    whole = bench.car.harness
    bench.do(text)
    changes = all_visible(bench).changes
    assert 1 == len(changes)
    bench.do(changes[0].undo)
    assert () == all_visible(bench).changes
    assert whole == bench.car.harness


def test_every_fault_of_the_catalogue_is_listed_as_one_change() -> None:
    """Every fault of a car's list changes its harness and shows as one line."""
    car = CARS["teaching-car"]
    for text in catalogue(car):
        bench_car = parse_edit(text, car).apply(car)
        assert bench_car.harness != car.harness
        bench = Bench(car, [text])
        assert 1 == len(all_visible(bench).changes), text


@pytest.mark.parametrize(
    ("minutes", "words"), [(19.0, "19 of 20 min, 3 steps"), (50.0, "50 of 20 min, 30 over")]
)
def test_the_board_tells_by_how_much_somebody_is_over(minutes: float, words: str) -> None:
    """Minutes beyond the aim are told in words and by the bar."""
    row = BoardRow(1, "Cy <b>", 1, "Left in storage", 3, minutes, 0, "scan", 0.0, None, None, ())
    html = board([row], {"Left in storage": 20.0})
    assert words in html
    assert ("bar over" in html) == (minutes > 20)
    assert "<b>" not in html, "a name is a text"


def test_a_code_in_a_scan_names_its_status_bits() -> None:
    """The row of a code says in its title which bits of ISO 14229-1 are set."""
    code = ReportedDtc("ECM", "U0101-87", "lost communication with TCM", 0x09)
    html = report_table(Report(1.0, True, (ModuleReport("ECM", True, (code,)),)))
    assert 'title="test failed, confirmed"' in html


def test_a_long_name_on_the_map_leaves_out_what_every_module_may_be_called() -> None:
    """'Engine-control-module' reads 'Engine'; the label for a screen reader is whole, a short name stays."""
    rows = [TableRow("Engine control module", "main"), TableRow("BCM", "main"), TableRow("X-unit", "main")]
    car = car_from_text(vehicle_file(rows))
    drawn = ElementTree.fromstring(car_map(car, layout_of(car), all_visible(Bench(car))))
    names = {one.text for one in drawn.iter() if one.get("class") == "name"}
    assert {"Engine", "BCM", "X-unit"} <= names
    labels = " ".join(one.get("aria-label", "") for one in drawn.iter())
    assert "Engine-control-module" in labels


def test_the_map_of_the_largest_car_can_be_seen_whole_on_a_projector() -> None:
    """Laid out for a screen of 1920 by 1080, it fits the place there, with type of 15 px."""
    car = find_car("shuttle-minibus")
    drawn = for_a_projector(partial(layout_of, car))
    scale = min(1350 / drawn.width, 780 / drawn.height)
    assert 14.7 < LEAST_PX * scale
    assert set(car.claimed.modules) == {box.module for box in drawn.boxes}


def test_a_tall_box_bears_its_name_in_each_part_that_a_phone_shows() -> None:
    """The gateway of the minibus, as high as its map, has its name on every screen of it."""
    car = find_car("shuttle-minibus")
    layout = layout_of(car, NARROW)
    tall = next(box for box in layout.boxes if box.module == "GATEWAY")
    drawn = module_box(tall, all_visible(Bench(car)).modules["GATEWAY"])
    named = [float(y) for y in re.findall(r'y="([0-9.]+)" class="name"', drawn)]
    gaps = [after - before for before, after in pairwise([tall.y, *named, tall.y + tall.h])]
    assert 500 > max(gaps)  # of the 844 px of a phone, under what stays in sight
