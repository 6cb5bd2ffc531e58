"""Faces of connectors: where each cavity is, from the wire side and from the mating side."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from sim.catalogue import find_car, shipped_cars
from sim.instruments.module_diagram import Side, face
from sim.instruments.service import ServiceInformation


def corners(papers: ServiceInformation, connector: str, side: Side) -> dict[str, tuple[float, float]]:
    """The upper left corner of each cavity, by its pin."""
    root = ElementTree.fromstring(face(papers, connector, side))
    groups = [one for one in root.iter() if one.get("data-id")]
    boxes = {
        str(one.get("data-id")): next(each for each in one if each.tag.endswith("rect")) for one in groups
    }
    return {pin: (float(box.get("x", 0)), float(box.get("y", 0))) for pin, box in boxes.items()}


@pytest.mark.parametrize("name", shipped_cars())
def test_the_diagnostic_connector_is_that_of_the_standard(name: str) -> None:
    """SAE J1962: for who looks into it 4, 5 and 6 are from left to right, 14 is below 6, 16 is last."""
    at = corners(ServiceInformation(find_car(name)), "DLC", "mating")
    assert at["DLC.4"][0] < at["DLC.5"][0] < at["DLC.6"][0] < at["DLC.16"][0]
    assert at["DLC.6"][0] == at["DLC.14"][0]
    assert at["DLC.4"][1] == at["DLC.6"][1] < at["DLC.14"][1] == at["DLC.16"][1]
    pitch = at["DLC.5"][0] - at["DLC.4"][0]
    assert at["DLC.16"][0] == at["DLC.6"][0] + 2 * pitch


@pytest.mark.parametrize("name", shipped_cars())
def test_the_mating_side_is_the_mirror_image_of_the_wire_side(name: str) -> None:
    """Each cavity is in the same row, and as far from one edge as from the other on the other side."""
    papers = ServiceInformation(find_car(name))
    for plug in papers.car.connectors.values():
        if not plug.pins:
            continue
        wire, mating = corners(papers, plug.id, "wire"), corners(papers, plug.id, "mating")
        assert {pin: y for pin, (_, y) in wire.items()} == {pin: y for pin, (_, y) in mating.items()}
        sums = {wire[pin][0] + mating[pin][0] for pin in wire}
        assert 1 == len(sums), plug.id
