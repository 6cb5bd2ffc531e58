"""From a description to terminals and wires, checked by walks that know nothing of how it was built."""

from collections import Counter
from functools import lru_cache

import networkx as nx
import pytest

from sim import scenarios_folder
from sim.vehicle.car import Car
from sim.vehicle.codes import code_description, invalid_data_code, lost_communication_code
from sim.vehicle.edits import parse_edit
from sim.vehicle.elements import (
    Coil,
    Contact,
    Driver,
    FuseLink,
    GeneratorOutput,
    LoadPart,
    RelayContact,
    Resistor,
    Source,
    Wire,
)
from sim.vehicle.harness_power import usual_area_mm2
from sim.vehicle.reading import car_from_text, read_car

CARS = ["six-modules", "teaching-car", "shuttle-minibus", "small-estate", "regional-truck", "city-hatchback"]


@lru_cache
def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def copper(car: Car, without: frozenset[str] = frozenset()) -> "nx.Graph[str]":
    """What a continuity test would show with every relay pulled in: copper, contacts, fuses, joints."""
    graph: nx.Graph[str] = nx.Graph()
    for part in car.elements.values():
        graph.add_nodes_from((part.a, part.b))
        conducts = isinstance(part, Wire | Contact | FuseLink | RelayContact) or (
            isinstance(part, Resistor) and part.kind in ("joint", "trace")
        )
        if conducts and part.id not in without:
            graph.add_edge(part.a, part.b)
    return graph


# -- size ------------------------------------------------------------------------------------------------


def test_the_minibus_is_as_large_as_a_real_one() -> None:
    """The minibus has 36 modules, two gateways, and the fuses, grounds and monitors of a real one."""
    car = shipped("shuttle-minibus")
    sizes = {
        "modules": 36,
        "buses": 5,
        "fuses": 40,
        "relays": 6,
        "grounds": 8,
        "inline": 8,
        "loads": 5,
    }
    assert [] == [kind for kind, least in sizes.items() if len(getattr(car.built, kind)) < least]
    assert 2 == sum(module.gateway is not None for module in car.built.modules.values())
    assert all(3 <= len(expected) <= 8 for expected in car.messages.expected.values())


def test_the_smallest_car_fits_on_a_page() -> None:
    """Six modules, one bus and their monitors take fewer than 40 lines."""
    text = (scenarios_folder() / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    assert (6, True) == (len(shipped("six-modules").built.modules), len(text.splitlines()) < 40)


@pytest.mark.parametrize("name", CARS)
def test_every_module_is_missed_by_another_and_its_code_is_known(name: str) -> None:
    """A lost module shows up somewhere, under a code that has a text."""
    car = shipped(name)
    missed = {expected.sender for entries in car.messages.expected.values() for expected in entries}
    assert set(car.built.modules) == missed
    for entries in car.messages.expected.values():
        for expected in entries:
            role = car.built.modules[expected.sender].role or expected.sender
            assert code_description(expected.code or lost_communication_code(role))
            assert expected.code or invalid_data_code(role)


# -- names ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CARS)
def test_ids_are_unique_and_every_part_has_two_different_ends(name: str) -> None:
    """No two pins share an id, every part goes by its own, and none joins a node to itself."""
    car = shipped(name)
    pins = [pin.id for plug in car.connectors.values() for pin in plug.pins]
    assert [] == [pin for pin, count in Counter(pins).items() if count > 1]
    assert all(key == part.id for key, part in car.elements.items())
    assert [] == [part.id for part in car.elements.values() if part.a == part.b]


@pytest.mark.parametrize("name", CARS)
def test_nothing_hangs_loose(name: str) -> None:
    """Only a bus line's transceivers and the tester's own CAN pins end a wire."""
    car = shipped(name)
    ends = Counter(node for part in car.elements.values() for node in (part.a, part.b))
    legs = {leg for one in car.transceivers.values() for leg in (one.h, one.l)}
    assert set() == {node for node, count in ends.items() if count == 1} - legs


@pytest.mark.parametrize("name", CARS)
def test_every_pin_joins_the_harness_to_the_module_side(name: str) -> None:
    """Every pin is a contact between its cavity and its inner node."""
    car = shipped(name)
    for plug in car.connectors.values():
        for pin in plug.pins:
            contact = car.elements[pin.id]
            assert isinstance(contact, Contact)
            assert (plug.id, pin.inner) == (contact.connector, contact.b)
            if plug.owner:
                assert pin == car.pin_of(plug.owner, pin.function)


# -- power and ground ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CARS)
def test_every_module_has_a_way_to_the_battery_and_back(name: str) -> None:
    """Copper joins every supply of a module to BAT+ and its ground to BAT-."""
    car = shipped(name)
    graph = copper(car)
    for module in car.built.modules:
        supplies = [pin for pin in car.pins_of(module) if pin.function.startswith("B+")]
        assert supplies, module
        for pin in supplies:
            assert nx.has_path(graph, "BAT+", pin.inner), pin.id
        assert nx.has_path(graph, "BAT-", f"{module}:0"), module


@pytest.mark.parametrize("name", CARS)
def test_plus_and_minus_of_the_battery_are_not_joined(name: str) -> None:
    """No copper joins the posts."""
    assert not nx.has_path(copper(shipped(name)), "BAT+", "BAT-")


@pytest.mark.parametrize("name", CARS)
def test_a_fuse_pulled_kills_what_it_feeds_and_nothing_else(name: str) -> None:
    """The file's `feeds`, followed by hand from fuse to fuse, against the copper without that fuse."""
    car = shipped(name)
    fuses = car.built.fuses

    def behind(name: str) -> set[str]:
        """Everything that a fuse feeds, directly or by relays and fuses behind it."""
        found = set()
        for other, spec in {**fuses, **car.built.relays}.items():
            if other == name:
                found |= {item.split()[0] for item in spec.feeds}
            elif spec.from_ == name:
                found |= behind(other)
        return found

    def node(item: str) -> str:
        owner, _, function = item.partition(".")
        if owner in car.built.modules:
            return f"{owner}:{function or 'B+'}"
        return "DLC.16" if item == "DLC" else f"{item}.1"

    consumers = {item for fuse in fuses for item in behind(fuse)}
    assert len(consumers) >= 13
    for fuse in fuses:
        live = nx.node_connected_component(copper(car, frozenset({fuse})), "BAT+")
        assert behind(fuse) == {item for item in consumers if node(item) not in live}, fuse


@pytest.mark.parametrize("name", CARS)
def test_ground_wires_end_where_the_file_says(name: str) -> None:
    """Without its ground points a module has one attempt to the battery."""
    car = shipped(name)
    for module, spec in car.built.modules.items():
        points = frozenset(item.split()[0] for item in spec.ground) or frozenset(["G1"])
        others = frozenset(car.built.grounds) - points
        back = nx.node_connected_component(copper(car, others), "BAT-")
        cut = nx.node_connected_component(copper(car, points), "BAT-")
        assert (True, False) == (f"{module}:0" in back, f"{module}:0" in cut), module


def test_an_in_line_connector_carries_the_wires_that_pass_it() -> None:
    """Unplugging the driver door's connector takes supply, ground, switch, both bus wires and loads."""
    car = shipped("shuttle-minibus")
    labels = Counter(pin.function for pin in car.connectors["X3"].pins)
    loads = (
        "door_lock_left",
        "entry_lamp_left",
        "mirror_heater_left",
        "mirror_turn_lamp_left",
        "speaker_door_left",
    )
    wires = {"body.H": 2, "body.L": 2, "F27": 1, "DOOR-LEFT": 1, "door_switch": 1} | dict.fromkeys(loads, 2)
    assert Counter(wires) == labels
    graph = copper(car, frozenset(pin.id for pin in car.connectors["X3"].pins))
    assert not nx.has_path(graph, "BAT+", "DOOR-LEFT:B+")
    assert not nx.has_path(graph, "BAT-", "DOOR-LEFT:0")
    assert nx.has_path(graph, "BAT+", "DOOR-RIGHT:B+")


def test_a_wire_by_way_of_two_connectors_is_three_wires_of_the_whole_length() -> None:
    """Two connectors part it into three wires, whose lengths add up to that of the file."""
    car = shipped("shuttle-minibus")
    way = nx.shortest_path(copper(car), "F75.2", "SIGN:B+")
    contacts = [
        part for part in car.elements.values() if isinstance(part, Contact) and {part.a, part.b} <= set(way)
    ]
    assert ["X9", "X8", "SIGN.C1"] == [
        contact.connector for contact in sorted(contacts, key=lambda part: way.index(part.a))
    ]
    wires = [p for p in car.elements.values() if isinstance(p, Wire) and {p.a, p.b} <= set(way)]
    assert 3 == len(wires)
    assert car.built.fuses["F75"].length_m == pytest.approx(sum(wire.length_m for wire in wires))


def test_a_fuse_for_several_ends_in_a_splice() -> None:
    """One wire leaves the fuse, and the splice has one for each consumer."""
    car = shipped("shuttle-minibus")
    graph = copper(car)
    coils = {f"coil{number}.1" for number in range(1, 5)}
    assert coils | {"F11.2"} == set(graph["SP.F11"])


@pytest.mark.parametrize(
    ("rating_a", "area_mm2"),
    [(5, 0.5), (7.5, 0.75), (10, 0.75), (15, 1.5), (20, 2.5), (30, 4), (40, 10), (200, 25)],
)
def test_wire_sizes_behind_fuses_are_common_practice(rating_a: float, area_mm2: float) -> None:
    """Usual sizes by fuse; common practice, no standard. They never shrink as ratings grow."""
    assert area_mm2 == usual_area_mm2(rating_a)


def test_relays_are_numbered_as_on_a_relay() -> None:
    """DIN 72552: 30 feed, 87 switched, 86 driven side of the coil, 85 its ground (from memory)."""
    car = shipped("teaching-car")
    graph = copper(car)
    contact, coil = car.elements["K3"], car.elements["K3.coil"]
    assert isinstance(contact, RelayContact)
    assert isinstance(coil, Coil)
    assert ("K3.30", "K3.87", "K3.86", "K3.85") == (contact.a, contact.b, coil.a, coil.b)
    assert nx.has_path(graph, "BAT+", "K3.30")
    assert nx.has_path(graph, "K3.87", "starter.1")
    assert nx.has_path(graph, "K3.86", "ECM:start_relay")
    assert nx.has_path(graph, "K3.85", "BAT-")
    driver = car.elements["ECM:start_relay.driver"]
    assert isinstance(driver, Driver)
    assert ("ECM:B+", "ECM", "start_relay") == (driver.a, driver.module, driver.output)


def test_coils_and_injectors_stand_between_their_fuse_and_the_engine_module() -> None:
    """Each has its resistance, is fed by its fuse and ends on a pin of the engine module."""
    car = shipped("shuttle-minibus")
    graph = copper(car)
    for kind, ohm, fuse in (("coil", 0.6, "F11"), ("inj", 12, "F12")):
        for number in range(1, 5):
            load = car.elements[f"{kind}{number}"]
            assert isinstance(load, LoadPart)
            assert ohm == load.ohm
            assert nx.has_path(graph, f"{fuse}.2", load.a)
            assert nx.has_path(graph, load.b, f"ECM:{kind}{number}")


def test_only_a_car_with_an_engine_has_a_generator() -> None:
    """The battery alone feeds a car without an engine; the others have a generator, a truck two batteries."""
    sources = [
        sorted(one.id for one in shipped(name).elements.values() if isinstance(one, Source | GeneratorOutput))
        for name in CARS
    ]
    assert [["BAT"], *[["BAT", "GEN"]] * 3, ["BAT", "BAT2", "GEN"], ["BAT", "GEN"]] == sources


def test_the_diagnostic_connector_has_the_pins_of_its_standard() -> None:
    """SAE J1962: 4 and 5 ground, 6 CAN high, 14 CAN low, 16 battery (from memory)."""
    car = shipped("teaching-car")
    graph = copper(car)
    functions = {"4": "GND", "5": "GND2", "6": "H", "14": "L", "16": "B+"}
    assert functions == {pin.cavity: pin.function for pin in car.connectors["DLC"].pins}
    ways = {
        "DLC.4": "BAT-",
        "DLC.5": "BAT-",
        "DLC.6": "GATEWAY:diag.H",
        "DLC.14": "GATEWAY:diag.L",
        "DLC.16": "BAT+",
    }
    assert {} == {pin: end for pin, end in ways.items() if not nx.has_path(graph, pin, end)}


# -- buses ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CARS)
def test_each_leg_of_each_bus_is_one_net_of_its_own(name: str) -> None:
    """All transceivers of a bus on one piece of copper, and no two legs or buses joined."""
    car = shipped(name)
    graph = copper(car)
    nets = {
        (bus, leg): {
            frozenset(nx.node_connected_component(graph, getattr(one, leg)))
            for one in car.transceivers.values()
            if one.bus == bus
        }
        for bus in car.built.buses
        for leg in ("h", "l")
    }
    assert all(len(found) == 1 for found in nets.values())
    assert len(nets) == len({next(iter(found)) for found in nets.values()})


@pytest.mark.parametrize("name", CARS)
def test_each_bus_has_two_terminators_that_make_sixty_ohms(name: str) -> None:
    """ISO 11898-2: 120 ohm at both ends, so 60 ohm across a whole line; an Ethernet pair has none."""
    car = shipped(name)
    graph = copper(car)
    for bus, spec in car.built.buses.items():
        one = next(each for each in car.transceivers.values() if each.bus == bus)
        pair = {node for leg in (one.h, one.l) for node in nx.node_connected_component(graph, leg)}
        ohms = [
            part.ohm
            for part in car.elements.values()
            if isinstance(part, Resistor) and part.kind == "terminator" and part.a in pair
        ]
        assert ([] if spec.is_ethernet else [120, 120]) == ohms, bus


@pytest.mark.parametrize("name", CARS)
def test_modules_follow_one_another_as_the_line_says(name: str) -> None:
    """Walking the high (or plus) wire from end to end passes every stop in the order of the file."""
    car = shipped(name)
    for bus, spec in car.built.buses.items():
        stops, leg = [stop.name for stop in spec.stops], spec.legs[0]

        def nodes_of(stop: str, bus: str = bus, leg: str = leg) -> list[str]:
            return {"DLC": ["DLC.3" if leg == "P" else "DLC.6"], "R1": ["R1.H"], "R2": ["R2.H"]}.get(
                stop, [f"{stop}:{bus}.{leg}"]
            )

        legs = copper(car).subgraph(nx.node_connected_component(copper(car), nodes_of(stops[0])[0]))
        way = nx.shortest_path(legs, nodes_of(stops[0])[0], nodes_of(stops[-1])[0])
        passed = []
        for node in way:
            near = {node, *legs[node]}
            for stop in stops:
                if f"SP.{bus}.{stop}.{leg}" == node or (stop not in passed and near & set(nodes_of(stop))):
                    passed.append(stop)
        order = [stop for stop in dict.fromkeys(passed) if stop not in car.built.inline]
        assert [stop for stop in stops if stop not in car.built.inline] == order


def test_a_line_through_a_module_breaks_at_its_connector() -> None:
    """The pair enters and leaves the park brake by its plug; a neighbor on a stub changes nothing."""
    car = shipped("shuttle-minibus")

    def joined_without(plug: str) -> bool:
        gone = frozenset(pin.id for pin in car.connectors[plug].pins)
        return nx.has_path(copper(car, gone), "ABS:chassis.H", "GATEWAY:chassis.H")

    assert [False, True, False, True] == [
        joined_without(plug) for plug in ("PARK-BRAKE.C1", "YAW-RATE.C1", "X5", "X7")
    ]


def test_the_far_terminator_of_the_upfit_bus_leaves_with_the_trailer_module() -> None:
    """Unplugging the trailer module takes the terminator inside it off the line."""
    car = shipped("shuttle-minibus")
    terminator = car.elements["TRAILER:upfit.terminator"]
    graph = copper(car, frozenset(pin.id for pin in car.connectors["TRAILER.C1"].pins))
    assert not nx.has_path(graph, terminator.a, "UPFIT:upfit.H")


# -- messages -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CARS)
def test_routes_bring_every_needed_message_to_its_reader(name: str) -> None:
    """Flooding each message along the routes from its own buses reaches exactly those who need it."""
    car = shipped(name)
    buses_of = {
        module: {bus for bus, spec in car.built.buses.items() if module in [stop.name for stop in spec.stops]}
        | {cluster for cluster, spec in car.built.lin.items() if module in spec.line}
        for module in car.built.modules
    }
    for message in car.messages.sent.values():
        reached = set(buses_of[message.sender])
        slots = [
            name for name, spec in car.built.lin.items() if message.name in [s.message for s in spec.schedule]
        ]
        reached = set(slots) if slots else reached - car.built.lin.keys()
        routes = [route for route in car.messages.routes if route.message == message.name]
        while more := {r.to_bus for r in routes if r.from_bus in reached} - reached:
            reached |= more
        readers = [module for module, names in car.messages.needs.items() if message.name in names]
        assert [] == [reader for reader in readers if not buses_of[reader] & reached], message.name
        for route in routes:
            assert {route.from_bus, route.to_bus} <= buses_of[route.gateway]
            assert car.built.modules[route.gateway].gateway is not None


def test_no_route_is_there_for_nobody() -> None:
    """Taking any one route away leaves somebody without a message that it needs."""
    car = shipped("shuttle-minibus")
    for gone in car.messages.routes:
        routes = [r for r in car.messages.routes if r != gone and r.message == gone.message]
        reached = set(car.messages.buses_of[car.messages.sent[gone.message].sender])
        while more := {r.to_bus for r in routes if r.from_bus in reached} - reached:
            reached |= more
        readers = [module for module, names in car.messages.needs.items() if gone.message in names]
        assert [m for m in readers if not set(car.messages.buses_of[m]) & reached], gone


def test_a_message_behind_two_gateways_passes_both() -> None:
    """The wheelchair lift hears the engine: powertrain, body, upfit."""
    routes = [r for r in shipped("shuttle-minibus").messages.routes if r.message == "ECM.engine"]
    ways = {(r.gateway, r.from_bus, r.to_bus) for r in routes}
    assert {("GATEWAY", "powertrain", "body"), ("UPFIT", "body", "upfit")} <= ways


def test_a_message_takes_the_shortest_way() -> None:
    """From a gateway that sends on two buses: by the one that lies next to the reader."""
    car = parse_edit("theory ECM waits for UPFIT", shipped("shuttle-minibus")).apply(
        shipped("shuttle-minibus")
    )
    routes = [r for r in car.messages.routes if r.message == "UPFIT.upfit"]
    assert [("GATEWAY", "body", "powertrain")] == [(r.gateway, r.from_bus, r.to_bus) for r in routes]


@pytest.mark.parametrize("name", CARS)
def test_identifiers_and_addresses_are_unique_and_apart(name: str) -> None:
    """ISO 15765-4: 7DF asks all, an answer comes 8 above its request (from memory)."""
    car = shipped(name)
    sent = [one.can_id for name, one in car.messages.sent.items() if name not in car.messages.slots]
    asked = list(car.addresses.values())
    everything = [*sent, *asked, *(address + 8 for address in asked), 0x7DF]
    assert len(everything) == len(set(everything))
    assert (0x7E0, 0x7E1) == (car.addresses["ECM"], car.addresses["TCM"])


def test_defaults_of_a_monitor_are_common_practice() -> None:
    """Ten periods but at least 100 ms, matured over 500 ms, 2 s after the ignition came on."""
    expected = {one.message: one for one in shipped("teaching-car").messages.expected["CLUSTER"]}
    engine, airbag = expected["ECM.engine"], expected["AIRBAG.status"]
    assert (0.1, 0.5, 2.0) == (engine.limit_s, engine.mature_s, engine.after_s)
    assert (1.0, 0.5, 2.0) == (airbag.limit_s, airbag.mature_s, airbag.after_s)
    assert engine.when is not None
    assert "IGN" == engine.when.line


def test_a_monitor_of_its_own_condition_keeps_it() -> None:
    """A monitor's own `when` wins over its module's `hears_when`."""
    text = (scenarios_folder() / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    text = text.replace("hears: [ECM, ABS, CLUSTER]", "hears: [{from: ECM, when: {input: button}}, ABS]")
    conditions = [one.when for one in car_from_text(text).messages.expected["BCM"]]
    assert ["button", None] == [when.input if when else "" for when in conditions]
    assert [None, ("run",)] == [when.mode if when else "" for when in conditions]
