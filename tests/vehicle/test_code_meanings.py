"""Each code number has one meaning: in the tables, and among the modules of a car."""

from collections import defaultdict

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.code_tables import CODE_TABLES, MODULE_ROLES
from sim.vehicle.codes import code_description
from sim.vehicle.reading import read_car

CARS = sorted(path.stem for path in (scenarios_folder() / "vehicles").glob("*.yaml"))


def given_twice(meanings: list[tuple[str, str]]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for code, meaning in meanings:
        found[code].add(meaning)
    return {code: texts for code, texts in found.items() if len(texts) > 1}


def test_no_number_stands_for_two_texts() -> None:
    """Neither two tables nor two roles give one number to different things."""
    assert {} == given_twice([one for table in CODE_TABLES for one in table.texts.items()])
    roles = [(code, row.title) for row in MODULE_ROLES for code in (row.lost_code, row.invalid_code)]
    assert {} == given_twice(roles)


@pytest.mark.parametrize("name", CARS)
def test_a_lost_message_is_told_of_one_module_only(name: str) -> None:
    """In a shipped car a network code names the module that it is set about, and never two of them."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    monitors = [one for module in Bench(car).live.modules.values() for one in module.monitors]
    assert {} == given_twice([(test.code, one.expected.sender) for one in monitors for test in one.tests])
    assert all("Generic code" not in code_description(one.lost.code) for one in monitors)


@pytest.mark.parametrize(("plug", "title"), [("SIGN", "Destination Sign"), ("COUNTER", "Passenger Counter")])
def test_the_code_of_an_unplugged_module_says_its_name(plug: str, title: str) -> None:
    """A code about the sign speaks of the sign, one about the counter of the counter."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    bench.do_all(["wait 12 s", f"unplug {plug}", "press start with brake", "wait 12 s"])
    stored = [one.code for one in bench.live.modules["UPFIT"].memory.dtcs if one.stored]
    assert [f"Lost Communication With {title}"] == [code_description(code) for code in stored]
