"""The command that measures the structure, on a small made tree."""

import json
from pathlib import Path

import pytest

from tests.structure import circles, files_in, main, measured

TREE = {
    "sim/__init__.py": "",
    "sim/a.py": "from sim import b\nclass One: ...\n"
    "def f(x):\n    return x.split()[0], getattr(x, 'kind', '')\n",
    "sim/b.py": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from .c import C\nclass One: ...\n",
    "sim/c.py": "import sim.b\nclass C:\n    def g(self):\n        from sim.a import f\n        return f\n",
    "ui/d.py": "def long():\n" + "    x = 1\n" * 60 + "\n" * 500,
    "tests/test_a.py": 'def test_one(x):\n    """Told."""\n    x._y = x.__class__\ndef test_two(): ...\n',
}


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for name, text in TREE.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_circles_are_counted_in_four_ways(tree: Path) -> None:
    """Imports for types and imports inside functions each count only where they are asked for."""
    code = files_in(tree, ("sim", "ui"))
    assert [] == circles(code, types=False, inner=False) == circles(code, types=False, inner=True)
    assert [["sim.b", "sim.c"]] == circles(code, types=True, inner=False)
    assert [["sim.a", "sim.b", "sim.c"]] == circles(code, types=True, inner=True)


def test_every_figure_of_a_small_tree(tree: Path) -> None:
    """Sizes, shared names, counted texts, docstrings and private names are those that the tree was given."""
    found = measured(tree)
    expected = {
        "modules": 5, "modules over 500 lines": 1, "longest module": "ui.d, 561 lines", "functions": 3,
        "functions over 50 lines": 1, "functions under 22 lines, %": 66.7,
        "longest function": "ui.d:1 long, 61 lines",
        "uses of .split()[0]": 1, 'uses of getattr(x, "kind"': 1, "uses of cast(": 0, "tests": 2,
        "tests with a docstring, %": 50.0, "private names used in tests": 1,
        "class names in several modules": {"One": ["sim.a", "sim.b"]},
    }  # fmt: skip
    assert expected == {name: found[name] for name in expected}


def test_lines_are_told_by_room(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table tells lines, modules and the median of a module for every folder of code."""
    main(["--root", str(tree)])
    printed = capsys.readouterr().out
    assert "    sim                  13 lines,   4 modules, median 4\n" in printed
    assert "    ui                  561 lines,   1 modules, median 561\n" in printed


def test_check_fails_on_a_circle_and_only_then(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The exit status is 1 with a circle of files and 0 once the circle is cut."""
    assert 1 == main(["--check", "--json", "--root", str(tree)])
    assert [["sim.a", "sim.b", "sim.c"]] == json.loads(capsys.readouterr().out)["circles with every import"]
    (tree / "sim/b.py").write_text("class One: ...\n", encoding="utf-8")
    assert 0 == main(["--check", "--root", str(tree)])
