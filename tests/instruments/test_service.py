"""Service information and diagrams: generated from what the car's file claims, and true of a healthy car."""

import xml.etree.ElementTree as ElementTree

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.diagram import drawing
from sim.instruments.expected import ASLEEP, AWAKE, OFF, UNPLUGGED, ExpectedReading
from sim.instruments.levels import Traffic
from sim.instruments.meter import Measured, amps_at
from sim.instruments.module_diagram import face
from sim.instruments.read import read
from sim.instruments.service import ServiceInformation
from sim.vehicle.car import Car
from sim.vehicle.description import Vehicle
from sim.vehicle.edits import apply_all
from sim.vehicle.elements import Contact, FuseLink
from sim.vehicle.harness import build
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring
from tests.readings import ohms_between

CARS = ("teaching-car", "six-modules", "shuttle-minibus", "small-estate", "regional-truck", "city-hatchback")
SVG = "{http://www.w3.org/2000/svg}"


def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


TEACHING = shipped("teaching-car")
SERVICE = ServiceInformation(TEACHING)


# -- lists -----------------------------------------------------------------------------------------------


def test_the_fuse_list_says_what_each_fuse_feeds() -> None:
    """The fuse list names consumers, source and rating."""
    by_name = {entry.name: entry for entry in SERVICE.fuses}
    assert ("CLUSTER", "AIRBAG") == by_name["F5"].feeds
    assert ("K2", 5.0) == (by_name["F12"].fed_from, by_name["F12"].rating_a)
    assert {"F11", "F12", "F13", "F14", "F15", "F16"} <= set(
        next(relay for relay in SERVICE.relays if relay.name == "K2").feeds
    )


def test_the_ground_list_says_who_ends_where() -> None:
    """The ground list names the pins of each point, also through in-line connectors."""
    serves = {entry.name: entry.serves for entry in SERVICE.grounds}
    assert {"ECM.C1.3", "TCM.C1.3", "ABS.C1.3"} == set(serves["G2"])
    assert "DOOR-LEFT.C1.2" in serves["G3"]  # through the door hinge's connector


def test_a_pin_table_names_function_wire_and_far_end() -> None:
    """A pin table gives function, words, color, area and far end."""
    pins = {pin.cavity: pin for pin in SERVICE.face("ECM.C1").pins}
    assert ("B+", "supply from F1", 0.75, ("F1.2",)) == (
        pins["1"].function, pins["1"].words, pins["1"].area_mm2, pins["1"].to,
    )  # fmt: skip
    assert ("CAN high, powertrain", "YE") == (pins["4"].words, pins["4"].color)
    assert ("ground", "BN", ("G2",)) == (pins["3"].words, pins["3"].color, pins["3"].to)


def test_one_conductor_has_one_color_at_both_ends() -> None:
    """A wire has the same color at both ends."""
    for pin in SERVICE.face("X1").pins:
        for end in pin.to:
            assert pin.color == SERVICE.color(end)


def test_the_way_to_a_pin_is_the_way_current_takes() -> None:
    """Supply and return paths list the parts in the order of the current."""
    way = [(step.kind, step.name.partition(".")[0]) for step in SERVICE.supply_path("ECM.C1.2")]
    assert [
        ("battery", "BAT+"), ("clamp", "BAT"), ("bar", "BAR"), ("relay", "K2"), ("fuse", "F11"),
        ("splice", "SP"), ("pin", "X1"),
    ] == way  # fmt: skip
    back = [(step.kind, step.name.partition(".")[0]) for step in SERVICE.return_path("DOOR-LEFT.C1.2")]
    assert [("pin", "X2"), ("ground", "G3"), ("clamp", "BAT"), ("battery", "BAT-")] == back


@pytest.mark.parametrize("name", CARS)
def test_every_way_opens_when_a_step_of_it_is_taken_out(name: str) -> None:
    """Against the solver: with a fuse on the way pulled, the module's pin has no voltage."""
    car = shipped(name)
    service = ServiceInformation(car)
    running = frozenset(car.built.modules)
    for module in list(car.built.modules)[::5]:
        pin = next(pin for pin in car.pins_of(module) if pin.function.startswith("B+"))
        fuses = [step.name for step in service.supply_path(pin.id) if step.kind == "fuse"]
        assert fuses
        for fuse in fuses:
            reading = Wiring(apply_all(car, [f"pull {fuse}"])).solve(SwitchState(running=running))
            assert (reading.between(pin.id, "BAT-") or 0.0) < 1.0


# -- claims ----------------------------------------------------------------------------------------------


def test_service_information_shows_the_claim_and_not_the_car() -> None:
    """Faults and theories change neither lists nor diagrams."""
    for edits in (["theory F7 feeds TCM"], ["pull F2", "swap TCM.C1.4 with TCM.C1.5"], ["fit F2 30 A"]):
        service = ServiceInformation(apply_all(TEACHING, edits))
        assert SERVICE.fuses == service.fuses
        for name in ("TCM", "F2"):
            assert drawing(SERVICE, name) == drawing(service, name)


def test_a_wrong_claim_stays_wrong() -> None:
    """A mislabeled fuse: the list says F5 feeds the cluster, the car was built with F6 doing it."""
    built = TEACHING.built
    moved = built.fuses["F6"].model_copy(update={"feeds": ("GATEWAY", "CLUSTER")})
    left = built.fuses["F5"].model_copy(update={"feeds": ("AIRBAG",)})
    really: Vehicle = built.model_copy(update={"fuses": {**built.fuses, "F5": left, "F6": moved}})
    car = build(really, claimed=built)
    service = ServiceInformation(car)
    assert ["F5"] == [step.name for step in service.supply_path("CLUSTER.C1.1") if step.kind == "fuse"]
    reading = Wiring(apply_all(car, ["pull F5"])).solve(SwitchState())
    assert reading.between("CLUSTER.C1.1", "BAT-") == pytest.approx(12.6, abs=0.2)


# -- expected values -------------------------------------------------------------------------------------


def ready(name: str, when: str) -> Bench:
    """A healthy car in the state that an expected value asks for."""
    bench = Bench(shipped(name))
    works = {"teaching-car": ["key run"], "six-modules": ["press start"]}
    if when == AWAKE:
        bench.do_all([*works.get(name, ["press start", "press start"]), "wait 1 s"])
    elif when == ASLEEP:
        bench.do("wait 120 s")
    else:
        bench.do_all(["disconnect battery", "wait 1 s"])
    return bench


def everything_expected(name: str) -> list[ExpectedReading]:
    car = shipped(name)
    service = ServiceInformation(car)
    places = ["BAT", *car.built.fuses, *car.built.relays, *car.built.loads, *car.pins]
    return [one for place in places for one in service.expected(place)]


@pytest.mark.parametrize("when", [AWAKE, ASLEEP, OFF])
@pytest.mark.parametrize("name", ["teaching-car", "six-modules"])
def test_a_healthy_car_reads_what_is_expected(name: str, when: str) -> None:
    """A healthy car reads within every expected range."""
    bench = ready(name, when)
    expected = [one for one in everything_expected(name) if one.when == when]
    assert expected
    for one in expected:
        reading = read(bench, one.action)
        assert isinstance(reading, Measured)
        assert reading.value is not None, one
        assert one.low <= reading.value <= one.high, (one, reading.value)
        assert one.source


def test_parts_alone_have_the_stated_resistance() -> None:
    """A part measured alone has the resistance that is expected of it."""
    # with its wires off, a coil or load reads its own resistance: relay data sheets, ±10 %
    for one in everything_expected("teaching-car"):
        if one.when == UNPLUGGED:
            a, b = one.action.split()[2::2]
            name = a.partition(".")[0]
            others = [
                id
                for id, e in TEACHING.elements.items()
                if {e.a, e.b} & {a, b} and name not in (id, id.split(".")[0])
            ]
            car = TEACHING.with_harness(opened=frozenset(others), unplugged=frozenset({"BAT.NEG"}))
            ohm = ohms_between(Wiring(car).solve(SwitchState()), Traffic(), a, b)
            assert ohm is not None, one
            assert one.low <= ohm <= one.high, (one, ohm)


def test_the_key_off_draw_of_the_minibus_is_as_expected() -> None:
    """The sleeping minibus draws what is expected at the clamp."""
    bench = ready("shuttle-minibus", ASLEEP)
    (draw,) = [one for one in ServiceInformation(bench.car).expected("BAT") if one.unit == "A"]
    clamp = bench.car.elements["BAT.NEG"]
    assert isinstance(clamp, Contact)
    assert draw.low <= amps_at(bench.live.wiring.solve(SwitchState()), clamp) <= draw.high


# -- drawings --------------------------------------------------------------------------------------------


def ids(svg: str) -> set[str]:
    return {
        element.attrib["data-id"]
        for element in ElementTree.fromstring(svg).iter()
        if "data-id" in element.attrib
    }


@pytest.mark.parametrize("name", CARS)
def test_every_diagram_is_well_formed_and_shows_no_lost_number(name: str) -> None:
    """Every diagram is well-formed SVG within its own size."""
    car = shipped(name)
    service = ServiceInformation(car)
    wired = car.built
    for what in [*wired.modules, *wired.fuses, *wired.relays, *wired.buses, *wired.loads, *wired.switches]:
        svg = drawing(service, what)
        root = ElementTree.fromstring(svg)
        assert f"{SVG}svg" == root.tag
        assert "nan" not in svg
        width, height = float(root.attrib["width"]), float(root.attrib["height"])
        for text in root.iter(f"{SVG}text"):
            assert 0 <= float(text.attrib["x"]) <= width, (what, text.text)
            assert 0 <= float(text.attrib["y"]) <= height, (what, text.text)


def test_every_pin_of_a_module_can_be_clicked() -> None:
    """A module's diagram has a mark for each of its pins."""
    for module in TEACHING.built.modules:
        assert {pin.id for pin in TEACHING.pins_of(module)} <= ids(drawing(SERVICE, module))


@pytest.mark.parametrize("name", CARS)
def test_a_click_means_a_place_where_a_probe_can_go(name: str) -> None:
    """Every mark of a diagram is a terminal, pin or module of the car, and no diagram is without marks."""
    car = shipped(name)
    service, wired = ServiceInformation(car), car.built
    places = {*car.terminals, *car.pins, *wired.modules, *car.connectors}
    for what in [*wired.modules, *wired.fuses, *wired.relays, *wired.buses, *wired.loads, *wired.switches]:
        assert set() < ids(drawing(service, what)) <= places, what


def test_the_diagram_of_a_module_joins_battery_and_ground() -> None:
    """A module's diagram shows the distribution rail, its ground point and the relay that it drives."""
    assert {"BAR", "ECM.C1.1", "F1.1", "G2", "ECM.C1.3", "K3.86"} <= ids(drawing(SERVICE, "ECM"))


def test_the_diagram_of_a_fuse_does_not_show_its_neighbors() -> None:
    """A fuse's diagram shows what it feeds and no neighbor."""
    marks = ids(drawing(SERVICE, "F11"))
    assert {"ECM.C1.2", "TCM.C1.2", "ABS.C1.2"} <= marks
    assert not {"blower.1", "F16.1", "F14.1"} & marks


def test_a_fuse_stands_on_its_own_diagram_once() -> None:
    """A fuse is drawn once on its diagram, whatever it feeds."""
    for element in TEACHING.elements.values():
        if isinstance(element, FuseLink):
            svg = drawing(SERVICE, element.id)
            assert 1 == svg.count(f'data-id="{element.id}.1"')


def test_a_connectors_face_shows_every_cavity() -> None:
    """A connector's face has a mark for each cavity."""
    for plug in TEACHING.connectors.values():
        if plug.pins:
            assert {pin.id for pin in plug.pins} == ids(face(SERVICE, plug.id))


def test_an_unknown_name_gets_the_nearest_right_one() -> None:
    """A wrong circuit or connector is refused with the nearest right name."""
    with pytest.raises(EditProblem, match="no circuit 'ECMM' in this car; did you mean 'ECM'"):
        drawing(SERVICE, "ECMM")
    with pytest.raises(EditProblem, match="no connector 'ECM\\.C7' in this car"):
        face(SERVICE, "ECM.C7")


def test_what_passes_through_an_in_line_connector_is_told_in_words() -> None:
    """The generator's lamp wire is no leg of a bus, a module's own circuit is its ground, as traced."""
    service = ServiceInformation(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    inline = [
        pin for pin in service.car.pins.values() if service.car.connectors[pin.connector].kind == "inline"
    ]
    said = {pin.function: service.words(pin) for pin in inline}
    assert [] == [words for words in said.values() if "_" in words]
    assert ("lamp terminal of the generator", "brake switch") == (said["GEN.L"], said["brake_switch"])
    assert ("from F50", "5 V supply of sensors, ECM") == (said["F50"], said["ECM.ref2"])
    assert "CAN high, powertrain" == said["powertrain.H"]
    for pin in inline:
        if said[pin.function] == f"ground of {pin.function}":
            assert service.car.pins_by_function[f"{pin.function}.GND"].id in service.conductor(pin.id + "a")
