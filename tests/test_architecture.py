"""The shape of the project: its rooms, its top level, its commands, and words that stay out."""

import ast
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
import tomllib
import urllib.request
from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.cli import COMMANDS, main
from sim.front_door import front_end_command
from sim.handbook.book import chapter, pages

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "sim", "ui", "scenarios", "tests"}
MOST_PICTURE_BYTES = 80_000  # a first screen that loads at once
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def rooms_in_the_guide() -> list[str]:
    """Folders of the table of rooms in DEVELOPERS.md, lowest first."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return re.findall(r"^\| `((?:sim/)?\w+)` \|", guide, flags=re.MULTILINE)


def rooms_in_the_tree() -> list[str]:
    folders = [ROOT / "ui", *(ROOT / "sim").iterdir()]
    return [str(folder.relative_to(ROOT)) for folder in folders if any(folder.glob("*.py"))]


def tracked_files() -> list[str]:
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listing.stdout.splitlines()


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, check=False)


def loaded_by(room: str) -> set[str]:
    """Every module in memory after a new interpreter has imported `room`, a file or all files of a folder."""
    files = sorted((ROOT / room).rglob("*.py")) or [ROOT / room]
    names = [
        ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for file in files
    ]
    script = f"import sys, {', '.join(names)}\nprint(*sys.modules)"
    run = python("-c", script)
    assert run.returncode == 0, run.stderr
    return set(run.stdout.split())


def packages(modules: set[str], prefix: str) -> set[str]:
    return {name for name in modules if name == prefix or name.startswith(prefix + ".")}


def test_the_table_of_rooms_names_the_folders() -> None:
    """The guide's table of rooms has a row for every room in the tree, and no other."""
    assert sorted(rooms_in_the_tree()) == sorted(rooms_in_the_guide())


def test_the_import_contract_has_the_rooms_in_the_same_order() -> None:
    """The layers of the import contract are the rooms of the guide, in its order."""
    layers = PROJECT["tool"]["importlinter"]["contracts"][0]["layers"]
    names = [layer.strip("()").replace(".", "/") for layer in reversed(layers)]
    assert rooms_in_the_guide() == [name for name in names if (ROOT / name).is_dir()]


@pytest.mark.parametrize("room", [room for room in rooms_in_the_guide() if room != "ui"])
def test_a_room_loads_no_higher_room_and_no_user_interface(room: str) -> None:
    """In a new interpreter a room loads itself, none of the rooms below it in the table, and no Streamlit."""
    rooms = rooms_in_the_guide()
    loaded = loaded_by(room)
    assert packages(loaded, room.replace("/", "."))
    forbidden = [higher.replace("/", ".") for higher in rooms[rooms.index(room) + 1 :]]
    for name in [*forbidden, "ui", "streamlit"]:
        assert set() == packages(loaded, name)


def test_the_command_loads_no_user_interface() -> None:
    """The command starts without Streamlit and without `ui`."""
    loaded = loaded_by("sim/cli.py")
    assert "sim.cli" in loaded
    assert set() == packages(loaded, "streamlit") | packages(loaded, "ui")


def test_the_top_level_holds_only_the_agreed_names() -> None:
    """Every tracked name at the top level is an agreed one or begins with a dot."""
    names = {file.split("/")[0] for file in tracked_files()}
    assert set() == {name for name in names - TOP_LEVEL if not name.startswith(".")}


def test_the_readme_has_two_commands_of_one_line_and_what_they_name_exists() -> None:
    """The README begins with two one-line commands, and the subcommand, script and extra they name exist."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    start, check = re.findall(r"^```sh\n(.+)\n```$", readme, flags=re.MULTILINE)
    assert start.endswith(" && .venv/bin/busbay bay")
    assert "pip install -e '.[test]'" in check
    assert check.endswith(" && .venv/bin/python -m pytest")
    assert "sim.cli:main" == PROJECT["project"]["scripts"]["busbay"]
    assert "pytest" in PROJECT["project"]["optional-dependencies"]["test"]
    assert "bay" in COMMANDS


def test_the_readme_shows_small_pictures_and_names_each_page() -> None:
    """Its pictures are there, none above 80 kB; each page has its line, the one of the handbook."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", readme)
    assert 3 == len(pictures)
    assert all((ROOT / name).stat().st_size < MOST_PICTURE_BYTES for name in pictures)
    assert [] == [page.title for page in pages() if f"| {page.title} | {page.purpose} |" not in readme]


def test_the_commands_of_the_handbook_work_as_written(capsys: pytest.CaptureFixture[str]) -> None:
    """Every command of its example ends with status 0, and its program prints the promised code."""
    tour = chapter("programs").text
    commands, program = re.findall(r"^```(?:sh|python)\n(.+?)\n```$", tour, flags=re.MULTILINE | re.DOTALL)
    lines = commands.replace("\\\n", " ").splitlines()
    assert 4 == len(lines)
    for line in lines:
        words = shlex.split(line)
        assert ".venv/bin/busbay" == words[0]
        assert 0 == main(words[1:]), line
    exec(compile(program, "programs.md", "exec"), {})
    assert re.search(r"ECM +U0121-87", capsys.readouterr().out)


def test_cars_exercises_and_cases_are_found_beside_the_package() -> None:
    """The shipped scenarios are those of this checkout."""
    assert ROOT / "scenarios" == scenarios_folder()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["bay", "--port", "0"], "'0' is not a port: a whole number from 1 to 65535"),
        (["bay", "--port", "65536"], "'65536' is not a port: a whole number from 1 to 65535"),
        (["bay", "--port", "web"], "'web' is not a port: a whole number from 1 to 65535"),
        (["bya"], "busbay: no command 'bya'; did you mean 'bay'?; see 'busbay --help'"),
        (["run"], "busbay: missing argument 'CAR'; see 'busbay run --help'"),
    ],
)
def test_bad_arguments_end_in_one_clear_error(arguments: list[str], sentence: str) -> None:
    """A wrong argument ends with status 2 and one sentence that names it, never a traceback."""
    run = python("-m", "sim.cli", *arguments)
    assert 2 == run.returncode
    assert sentence in run.stderr.splitlines()[-1]
    assert "Traceback" not in run.stderr


def test_the_front_end_stays_on_this_computer_asks_nothing_and_reports_nothing() -> None:
    """The front end listens on this computer only, asks for no address and sends no statistics."""
    command = front_end_command(8600)
    options = dict(zip(command[3::2], command[4::2], strict=True))
    expected = {
        "--server.address": "127.0.0.1",
        "--server.port": "8600",
        "--server.showEmailPrompt": "false",
        "--browser.gatherUsageStats": "false",
        "--client.showErrorLinks": "false",
        "--logger.hideWelcomeMessage": "true",
        "--logger.level": "error",
    }
    assert expected == options


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_the_bay_opens_on_its_port_and_closes_with_its_command(how: signal.Signals) -> None:
    """The bay answers on its port, and no server is left once its command has been ended."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    environment = os.environ | {"STREAMLIT_SERVER_HEADLESS": "true"}
    command = [sys.executable, "-m", "sim.cli", "bay", "--port", str(port)]
    with subprocess.Popen(command, cwd=ROOT, env=environment, start_new_session=True) as bay:
        try:
            assert "ok" == answer(port)
        finally:
            if how is signal.SIGINT:  # a terminal sends Ctrl-C to the command and to its server
                os.killpg(bay.pid, how)
            else:
                bay.send_signal(how)
            bay.wait(timeout=30)
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", port), timeout=5)


def answer(port: int) -> str:
    """What the front end says about its health, asked until it is up."""
    last_moment_s = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5) as reply:
                return str(reply.read().decode())
        except OSError:
            if time.monotonic() > last_moment_s:
                raise
            time.sleep(0.2)


@pytest.mark.parametrize(
    ("where", "pattern", "why"),
    [
        ("", r"(?<![\w.~-])/(?:home|root|work|opt|mnt|Users)/\w", "a path of one machine"),
        ("", r"\b(?:[T]ODO|[F]IXME)\b", "unfinished work is built or left out"),
        ("", r"(?i)\bissue #?\d", "a reader has only the repository"),
        ("sim/", r"^\s*(?:import|from)\b.*\bpyplot\b", "pyplot is not thread-safe: use Figure"),
        ("ui/", r"^\s*(?:import|from)\b.*\bpyplot\b|\bst\.pyplot\b", "use Figure and st.image"),
    ],
    ids=["machine path", "unfinished", "issue number", "pyplot in sim", "pyplot in ui"],
)
def test_listed_words_stay_out(where: str, pattern: str, why: str) -> None:
    """No tracked file has a line with any of the listed patterns."""
    hits = []
    for name in tracked_files():
        if name.startswith(where) and (ROOT / name).is_file():
            text = (ROOT / name).read_bytes().decode(errors="replace")
            for number, line in enumerate(text.splitlines(), start=1):
                if re.search(pattern, line):
                    hits.append(f"{name}:{number}: {line}")
    assert [] == hits, why


def test_no_class_with_slots_caches_a_property() -> None:
    """A cached property needs the `__dict__` that slots take away, so reading it would always be an error."""
    found = []
    for file in sorted([*(ROOT / "sim").rglob("*.py"), *(ROOT / "ui").rglob("*.py")]):
        for one in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(one, ast.ClassDef) and _has_slots(one):
                cached = [name for name in map(_cached_property, one.body) if name]
                found += [f"{file.relative_to(ROOT)}: {one.name}.{name}" for name in cached]
    assert [] == found


def _has_slots(one: ast.ClassDef) -> bool:
    by_decorator = any("slots=True" in ast.unparse(decorator) for decorator in one.decorator_list)
    by_name = any("__slots__" in ast.unparse(line) for line in one.body if isinstance(line, ast.Assign))
    return by_decorator or by_name


def _cached_property(line: ast.stmt) -> str:
    if isinstance(line, ast.FunctionDef):
        decorators = {ast.unparse(decorator).rsplit(".", 1)[-1] for decorator in line.decorator_list}
        return line.name if "cached_property" in decorators else ""
    return ""


def test_an_error_on_a_page_links_to_no_other_service() -> None:
    """The front end's configuration sends nothing to, and links from an error to, no outside service."""
    chosen = tomllib.loads((ROOT / "ui" / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    assert False is chosen["client"]["showErrorLinks"]
    assert "none" == chosen["client"]["showErrorDetails"]
    assert "minimal" == chosen["client"]["toolbarMode"]
    assert False is chosen["browser"]["gatherUsageStats"]
    assert False is chosen["server"]["showEmailPrompt"]


def test_no_list_of_several_offers_to_take_all_that_match() -> None:
    """Typing a word and Enter takes one choice: the entry that takes all matches at once is in no list."""
    lists, without = [], []
    for file in sorted((ROOT / "ui").rglob("*.py")):
        for one in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(one, ast.Call) and ast.unparse(one.func).endswith("multiselect"):
                lists.append(f"{file.name}, line {one.lineno}")
                said = {word.arg: ast.unparse(word.value) for word in one.keywords}
                if said.get("select_all") != "False":
                    without.append(lists[-1])
    assert lists
    assert [] == without


def test_each_guard_of_the_security_table_has_tests_that_are_there() -> None:
    """Every file that DEVELOPERS.md names beside a threat is in one of its two folders."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = guide.partition("| threat |")[2].partition("\n\n")[0]
    named = [set(re.findall(r"`(test_\w+)`", line)) for line in table.splitlines()[2:]]
    there = {path.stem for folder in ("training", "ui") for path in (ROOT / "tests" / folder).glob("*.py")}
    assert all(named)
    assert set() == set().union(*named) - there
