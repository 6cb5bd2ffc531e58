"""The container file against the README, pyproject.toml and the command that it starts."""

import json
import re
import tomllib
from pathlib import Path

from sim.catalogue import shipped_exercises
from sim.front_door import bay

ROOT = Path(__file__).resolve().parent.parent
FILE = (ROOT / ".container" / "Containerfile").read_text(encoding="utf-8")
STEPS = [line.split(maxsplit=1) for line in FILE.splitlines() if line and not line.startswith("#")]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def said(word: str) -> list[str]:
    """What a word of the file is said of, in order."""
    return [rest for step, rest in STEPS if step == word]


def test_its_python_is_the_one_that_the_project_asks_for() -> None:
    """The oldest Python that pyproject.toml and the README name is that of the image."""
    (image,) = said("FROM")
    version = image.partition(":")[2].partition("-")[0]
    assert f">={version}" == PROJECT["project"]["requires-python"]
    assert f"Python {version} or newer" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_it_copies_all_that_is_installed_and_nothing_else() -> None:
    """The packages that setuptools finds, what pyproject.toml names, and no file of whose clone it is."""
    copied = [name for words in said("COPY") for name in words.split()[:-1]]
    packages = [name.rstrip("*") for name in PROJECT["tool"]["setuptools"]["packages"]["find"]["include"]]
    assert {"pyproject.toml", PROJECT["project"]["readme"], *packages} == set(copied)
    let_in = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    assert "*" == let_in[0]
    assert set(copied) == {line[1:] for line in let_in if line.startswith("!")}
    assert all(path.is_relative_to(ROOT / "scenarios") for path in shipped_exercises().values())


def test_it_installs_extras_that_there_are() -> None:
    """The extras of its installation are the project's, without those of the tests."""
    (extras,) = re.findall(r"pip install .*\[([\w,]+)\]", FILE)
    assert {*PROJECT["project"]["optional-dependencies"]} - {"test"} == set(extras.split(","))


def test_it_serves_as_an_ordinary_user_at_the_port_that_it_names() -> None:
    """The command is one of busbay's with options that it has; the port is the default one of the README."""
    command, *words = json.loads(said("CMD")[0])
    assert (command, words[0]) in {(name, "bay") for name in PROJECT["project"]["scripts"]}
    options = dict(zip(words[1::2], words[2::2], strict=True))
    known = {name for parameter in bay.params for name in parameter.opts}
    assert {"--address", "--port"} == set(options) & known
    assert [options["--port"]] == said("EXPOSE")
    assert f"127.0.0.1:{options['--port']}:{options['--port']}" in FILE  # published to this computer alone
    assert f"http://127.0.0.1:{options['--port']}" in (ROOT / "README.md").read_text(encoding="utf-8")
    order = [step for step, _ in STEPS]
    assert order.index("USER") < order.index("CMD")
    assert "useradd --create-home --home-dir {} {}".format(said("VOLUME")[0], said("USER")[0]) in FILE
