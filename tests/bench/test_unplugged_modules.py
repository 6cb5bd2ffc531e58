"""Whoever listens for an unplugged module says so, and nobody else.

What must be heard is worked out here from the vehicle file alone: its buses as lines of stations, its
gateways, who `hears` whom. Nothing of the simulator takes part in that.
"""

from collections.abc import Callable, Iterator
from functools import lru_cache
from itertools import pairwise
from typing import Any

import networkx as nx
import pytest
from ruamel.yaml import YAML

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.codes import lost_communication_code

# SAE J2012 "Lost communication with ...", numbers from memory; tests/vehicle/test_codes.py compares those of
# all modules with the package `obd`.
LOST = {
    "ECM": "U0100", "TCM": "U0101", "ABS": "U0121", "BCM": "U0140", "GATEWAY": "U0146", "AIRBAG": "U0151",
    "CLUSTER": "U0155", "DOOR-LEFT": "U0199",
}  # fmt: skip


@lru_cache
def plain(name: str) -> dict[str, Any]:
    """A vehicle file as it is written."""
    return YAML(typ="safe").load(scenarios_folder() / "vehicles" / f"{name}.yaml")


def stations(line: list[str]) -> Iterator[tuple[str, str]]:
    """(name, how it stands on the line) in the order of the line."""
    for item in line:
        name, _, how = item.partition(" ")
        yield name, how


def reach(file: dict[str, Any], off: str) -> "nx.DiGraph[tuple[str, str]]":
    """Who hears whom with `off` unplugged: nodes are (module, bus), edges go from who speaks to who hears.

    A line is parted where the pair runs through the connector of the module that is unplugged.
    """
    ways: nx.DiGraph[tuple[str, str]] = nx.DiGraph()
    for bus, spec in file["buses"].items():
        groups: list[list[str]] = [[]]
        for name, how in stations(spec["line"]):
            if name != off and name in file["modules"]:
                groups[-1].append(name)
            elif name == off and how == "through":
                groups.append([])
        for group in groups:
            ways.add_nodes_from((name, bus) for name in group)
            ways.add_edges_from(((a, bus), (b, bus)) for a in group for b in group if a != b)
    return ways


def gateways_between(file: dict[str, Any], sender: str, receiver: str) -> list[tuple[str, str, str]]:
    """(gateway, from bus, to bus) on the shortest way of a message in the whole car."""
    graph: nx.Graph[str] = nx.Graph()
    on = {
        name: [bus for bus, spec in file["buses"].items() if name in dict(stations(spec["line"]))]
        for name in file["modules"]
    }
    for name, spec in file["modules"].items():
        if "gateway" in spec:
            graph.add_edges_from((a, b, {"by": name}) for a in on[name] for b in on[name] if a < b)
    paths = [
        path
        for a in on[sender]
        for b in on[receiver]
        for path in ([[a]] if a == b else nx.all_simple_paths(graph, a, b))
    ]
    path = min(paths, key=len)
    hops = [(graph.edges[a, b]["by"], a, b) for a, b in pairwise(path)]
    return hops or [("", path[0], path[0])]


def heard(file: dict[str, Any], sender: str, receiver: str, off: str) -> bool:
    """Does what `sender` says still get to `receiver`?"""
    ways, speaker = reach(file, off), sender
    hops = gateways_between(file, sender, receiver)
    for gateway, from_bus, _ in hops:
        hearer = gateway or receiver
        if hearer != speaker and not ways.has_edge((speaker, from_bus), (hearer, from_bus)):
            return False
        speaker = hearer
    last_bus = hops[-1][2]
    return speaker == receiver or ways.has_edge((speaker, last_bus), (receiver, last_bus))


def expected(file: dict[str, Any], off: str) -> set[tuple[str, str]]:
    """(module, lost-communication code) of everybody who still runs and misses somebody."""
    codes = set()
    for receiver, spec in file["modules"].items():
        mode_only = spec.get("hears_when") == {"mode": "run"}
        master = file["power_modes"]["master"]
        deaf_to_mode = receiver != master and not heard(file, master, receiver, off)
        if receiver == off or (mode_only and deaf_to_mode):
            continue
        for item in spec.get("hears", []):
            sender = item if isinstance(item, str) else item["from"]
            if not heard(file, sender, receiver, off):
                written = None if isinstance(item, str) else item.get("code")
                codes.add((receiver, f"{written or code_about(file, sender)}-87"))
    return codes


def code_about(file: dict[str, Any], sender: str) -> str:
    role = file["modules"][sender].get("role", sender)
    return LOST.get(role) or lost_communication_code(role)


def lost_in_memories(stored: dict[str, dict[str, int]]) -> set[tuple[str, str]]:
    """Failure type 87 is "missing message" (SAE J2012-DA)."""
    return {(module, code) for module, codes in stored.items() for code in codes if code.endswith("-87")}


@pytest.mark.parametrize("off", plain("teaching-car")["modules"])
def test_who_misses_an_unplugged_module_of_the_teaching_car(
    off: str, teaching: Car, stored: Callable[[Bench], dict[str, dict[str, int]]]
) -> None:
    """The lost-communication codes are those of the file's listeners; the unplugged module sets nothing."""
    bench = Bench(teaching)
    bench.do_all(["key run", "wait 5 s"])
    assert {} == stored(bench)
    bench.do_all([f"unplug {off}", "wait 10 s"])

    found = stored(bench)
    assert expected(plain("teaching-car"), off) == lost_in_memories(found)
    assert off not in found

    report = bench.do("scan").report
    assert report is not None
    answering = set() if off == "GATEWAY" else plain("teaching-car")["modules"].keys() - {off}
    assert answering == {entry.module for entry in report.modules if entry.answers}
    assert {(m, c) for m, codes in found.items() for c in codes if m in answering} == report.codes

    bench.do_all([f"plug {off}", "wait 3 s", "clear", "wait 10 s"])
    report = bench.do("scan").report
    assert report is not None
    assert ((), frozenset(), {}) == (report.silent, report.codes, stored(bench))


@pytest.mark.parametrize("off", ["ECM.C1", "STEER-ANGLE", "PARK-BRAKE", "LIFT.C1", "TRAILER", "GATEWAY"])
def test_who_misses_what_is_unplugged_in_the_minibus(
    off: str, minibus: Car, stored: Callable[[Bench], dict[str, dict[str, int]]]
) -> None:
    """The same where lines run through what is unplugged, and where messages cross one or two gateways."""
    bench = Bench(minibus)
    bench.do_all(["press start", "press start", "wait 5 s"])
    before = stored(bench)
    bench.do_all([f"unplug {off}", "wait 15 s"])
    assert ({}, expected(plain("shuttle-minibus"), off.split(".")[0])) == (
        before,
        lost_in_memories(stored(bench)),
    )
