"""The worked examples for notebooks run as scripts, and find what they say."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path
from typing import Any

import pytest

from sim import notebook
from sim.catalogue import shipped_cars
from sim.notebook import Car
from sim.vehicle.problems import Problem

HERE = Path(__file__).parent


def ran(name: str) -> dict[str, Any]:
    """The names that an example leaves."""
    return runpy.run_path(str(HERE / name))


def test_a_code_is_followed_to_the_unplugged_module() -> None:
    """Four modules hold a code for the one that is unplugged; its chain ends there; a meter tells more."""
    left = ran("first_fault.py")
    report = left["bench"].report
    assert ["ECM", "TCM", "BCM", "CLUSTER"] == list(report[report.code == "U0121-87"].module)
    assert left["reasons"].endswith("because given: unplug ABS.C1 (at 0.000 s)")
    unplugged, pulled = left["readings"].values()
    assert unplugged.startswith("12.")
    assert pulled != unplugged
    assert left["picture"].svg.rstrip().endswith("</svg>")


def test_two_faults_that_look_like_one_are_told_apart_by_a_look() -> None:
    """Both are minimal cause sets of the silent module, and looking at the fuse shows which it is."""
    left = ran("two_faults.py")
    silent = left["symptoms"].query("symptom == 'TCM'")
    assert ["pull F2 or unplug TCM"] == list(silent.causes)
    assert (4, True) == (len(left["grid"].table), bool(left["grid"].table["unplug TCM"].iloc[3]))
    assert 2 == len(set(left["looks"].values()))


def test_a_tie_between_stories_is_told_and_broken_by_a_check() -> None:
    """Two stories give all that was seen, both are among the causes, and a check is offered."""
    left = ran("a_case.py")
    assert ["everything", "everything"] == list(left["stories"].gives)[:2]
    assert left["case"].outcome.startswith("A tie: 'fuse', 'plug'")
    assert {"pull F2", "unplug TCM.C1"} <= set(left["causes"].cause)
    assert left["checks"].minutes.iloc[0] > 0


@pytest.mark.parametrize("name", shipped_cars())
def test_what_a_prompt_shows_is_one_line(name: str) -> None:
    """Cars and benches are shown in one line that fits a screen, whatever their size."""
    car = Car(name)
    for shown in (repr(car), repr(car.bench())):
        assert "\n" not in shown
        assert len(shown) < 200
    assert car._repr_svg_().startswith("<svg")


def test_without_pandas_a_table_is_a_list_of_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing else is needed: rows are dicts, and a notebook shows the short text."""
    monkeypatch.setitem(sys.modules, "pandas", None)
    car = Car("six-modules")
    assert "ECM" in [row["name"] for row in car.modules]
    assert None is notebook.html_of(car.modules)


def test_a_wrong_name_is_one_sentence() -> None:
    """The error names the nearest right one."""
    with pytest.raises(Problem, match=r"^no car 'six-module'; did you mean 'six-modules'\?$"):
        Car("six-module")
