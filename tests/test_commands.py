"""Every subcommand by the same rules: what `--json` prints, how Ctrl-C ends it, what a shell completes."""

from __future__ import annotations

import errno
import getpass
import io
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import pytest
from pydantic import TypeAdapter
from pydantic_core import to_json

from sim import cli
from sim.bench.actions import ACTION_VERBS, parse_action
from sim.bench.observations import OBSERVATION_VERBS
from sim.bench.words import ACTIONS, sentences_of
from sim.catalogue import find_car, shipped_cars, shipped_cases, vehicle_text
from sim.cli import COMMANDS, COMPLETES, main
from sim.command_line import keys_of, progress, table_text, write_new
from sim.interrupt import STOPPED
from sim.training.records import Records
from sim.training.upkeep import save_copy
from sim.vehicle.edits import EDIT_VERBS
from sim.vehicle.problems import Problem

ROOT = Path(__file__).resolve().parent.parent
CASE = """
case: A silent gearbox
car: six-modules
steps:
  - do: [wait 1 s, press start, wait 6 s]
  - {do: scan, seen: {silent: [TCM], answers: [ECM]}}
stories: {fuse: {edits: [pull F2]}, plug: {edits: [unplug TCM]}}
experiments: [look F2]
"""
SCAN = ["--do", "press start", "--do", "wait 1 s", "--do", "scan"]
ONE = ["--workers", "1", "--cache", "runs"]
# the quickest use of each subcommand; a new one needs its row here
QUICK: dict[str, list[str]] = {
    "cars": [],
    "car": ["six-modules"],
    "handbook": [],
    "describe": ["table.csv", "--template", "van"],
    "schema": [],
    "words": ["six-modules", "unplug"],
    "run": ["six-modules", *SCAN, "--do", "look F1", "--why", "mode"],
    "diagram": ["six-modules", "F1"],
    "what-if": ["six-modules", "--edit", "pull F2", "--edit", "unplug TCM", *SCAN, *ONE],
    "case": ["case.yaml", *ONE],
    "new-case": ["six-modules", "--scan-report", "scan.txt", "--out", "new-case.yaml"],
    "causes": ["case.yaml", *ONE],
    "next-check": ["case.yaml", *ONE],
    "plan": ["case.yaml", *ONE],
    "codes": ["six-modules", "--report", "scan.txt"],
    "pairs": ["six-modules", "--edit", "pull F2", "--edit", "unplug TCM", *ONE],
    "exercises": [],
    "exercise": ["2"],
    "try": ["2", "--do", "scan", "--hand-in", "pull F3"],
    "debrief": ["2", "--do", "scan", "--hand-in", "pull F3", "--quick"],
    "check-exercise": ["2"],
    "lesson": ["2"],
    "results": ["--records", "sqlite:///class.sqlite"],
    "statements": ["--records", "sqlite:///class.sqlite"],
    "passphrase": ["--records", "sqlite:///class.sqlite"],
    "backup": ["--out", "monday.backup", "--records", "sqlite:///class.sqlite"],
    "restore": ["saved.backup", "--records", "sqlite:///class.sqlite"],
    "record": ["six-modules", "--do", "press start", "--out", "day.csv"],
    "import": ["day.asc", "--out", "mine.yaml"],
    "completion": ["bash"],
    "check-search": ["six-modules", "--edits", "3", "--pairs", "2", *ONE],
    "check-advice": ["six-modules", "--edits", "3", "--faults", "2", "--draws", "1", "--searched", "1", *ONE],
}
LAB = [
    "what-if",
    "case",
    "new-case",
    "causes",
    "next-check",
    "plan",
    "codes",
    "pairs",
    "check-search",
    "check-advice",
]
SERVERS = {"bay", "serve"}  # they end in order with Ctrl-C: `test_architecture.py`, `link/test_commands.py`


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of finished runs."""
    return tmp_path_factory.mktemp("runs")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, runs: Path) -> Path:
    """The working folder, with a case, a scan report, a log, and the runs that other tests have made."""
    (tmp_path / "runs").symlink_to(runs)
    (tmp_path / "case.yaml").write_text(CASE, encoding="utf-8")
    (tmp_path / "table.csv").write_text("ECM main\nBCM main\nCLUSTER main\n", encoding="utf-8")
    (tmp_path / "scan.txt").write_text("ECM U0101-87 present\nTCM is silent\n", encoding="utf-8")
    frames = "".join(f"   {k * 0.1:.6f} 1  123             Rx   d 2 01 02\n" for k in range(1, 30))
    log = f"date Mon Nov 30 10:00:00 2026\nbase hex  timestamps absolute\n{frames}"
    (tmp_path / "day.asc").write_text(log, encoding="utf-8")
    Records("sqlite:///" + str(tmp_path / "class.sqlite")).close()
    save_copy("sqlite:///" + str(tmp_path / "class.sqlite"), tmp_path / "saved.backup")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(getpass, "getpass", lambda prompt: "long enough for one")
    return tmp_path


def test_an_empty_column_breaks_no_name() -> None:
    """A report of one silent module, with nothing to say of it, has its name on one line."""
    assert "    PARK-BRAKE  no answer\n" == table_text((), [("PARK-BRAKE", "no answer", "")], False, 4)


def test_every_subcommand_is_tried_here() -> None:
    """A new subcommand needs its quickest use in the table, and gets all these tests with it."""
    assert set(COMMANDS) == set(QUICK) | SERVERS


@pytest.mark.parametrize("name", [name for name in QUICK if COMMANDS[name].loaded().result is not None])
def test_json_is_of_the_type_that_its_help_tells(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is printed is the command's dataclass, no key more or less, and its keys are in the help."""
    status = main([name, *QUICK[name], "--json"])
    told = capsys.readouterr().out
    command = COMMANDS[name].loaded()
    read = TypeAdapter(command.result).validate_json(told)
    assert to_json(read, indent=1).decode() == told.rstrip("\n")
    assert 1 >= status
    main([name, "--help"])
    section = capsys.readouterr().out.partition("Keys of the JSON:")[2]
    assert [] != list(keys_of(command.result))
    assert [] == [key for key, _ in keys_of(command.result) if f"\n  {key} " not in section]


class Interrupted(io.StringIO):
    """An output whose first line meets with an exception; its descriptor is a file's."""

    def __init__(self, what: Callable[[], None], file: IO[str]) -> None:
        super().__init__()
        self._what, self.fileno = what, file.fileno  # type: ignore[method-assign]

    def write(self, text: str) -> int:
        """Meet with it."""
        self._what()
        return len(text)


@pytest.fixture
def out(folder: Path) -> Iterator[IO[str]]:
    """A file for output."""
    with (folder / "out").open("w", encoding="utf-8") as file:
        yield file


def closed() -> None:
    """What a pipe does whose reader is gone."""
    raise BrokenPipeError


def ctrl_c() -> None:
    """What a terminal does at Ctrl-C."""
    signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize("name", QUICK)
def test_ctrl_c_ends_it_in_one_sentence(
    name: str, out: IO[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pressed while the first line is printed: one sentence, status 130, no traceback."""
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdout", Interrupted(ctrl_c, out))
        status = main([name, *QUICK[name]])
    told = capsys.readouterr().err.splitlines()
    assert (STOPPED, "busbay: stopped by Ctrl-C.") == (status, told[-1])
    assert [] == [line for line in told if "Traceback" in line]


@pytest.mark.parametrize("name", COMMANDS)
def test_ctrl_c_while_it_is_loaded_ends_it_at_once(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An import cannot turn it into another error: the process ends where it is, with one sentence."""

    def ended(status: int) -> None:
        raise SystemExit(status)

    monkeypatch.setattr(cli, "import_module", lambda module: ctrl_c())
    monkeypatch.setattr(os, "_exit", ended)
    with pytest.raises(SystemExit) as stopped:
        main([name])
    assert (STOPPED, "busbay: stopped by Ctrl-C.\n") == (stopped.value.code, capsys.readouterr().err)
    assert signal.default_int_handler is signal.getsignal(signal.SIGINT)


def full() -> None:
    """What a file on a full disk does."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("name", ["cars", *LAB])
def test_a_full_disk_is_one_sentence(
    name: str, out: IO[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Output that has no room ends the command with what is wrong in words: no number, no traceback."""
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdout", Interrupted(full, out))
        assert 1 == main([name, *QUICK[name]])
    told = capsys.readouterr().err.splitlines()
    assert "busbay: the output cannot be written: No space left on device" == told[-1]


@pytest.mark.parametrize("name", ["cars", "words", "run", "exercises", *LAB])
def test_a_reader_that_has_gone_is_no_error(
    name: str, out: IO[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`busbay words CAR | head` ends quietly."""
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdout", Interrupted(closed, out))
        assert 0 == main([name, *QUICK[name]])
    assert [] == [line for line in capsys.readouterr().err.splitlines() if line.startswith(("busbay", "Tr"))]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["what-if"], "missing argument 'CAR'; see 'busbay what-if --help'"),
        (
            ["run", "six-modules", "--gvien", "x"],
            "no option '--gvien'; did you mean '--given'?; see",
        ),
        (
            ["causes", "case.yaml", "--within", "nan"],
            "invalid value for '--within': 'nan' is no number of minutes",
        ),
        (["plan", "case.yaml", "--within", "-3"], "invalid value for '--within': -3.0 is not in the range"),
        (
            ["next-check", "case.yaml", "--listed", "-4"],
            "invalid value for '--listed': -4 is not in the range",
        ),
        (
            ["check-search", "six-modules", "--edits", "0"],
            "invalid value for '--edits': 0 is not in the range",
        ),
        (["car", "six-modules", "--full", "--json"], "--full, --faults and --json exclude each other; see"),
        (["pears", "six-modules"], "no command 'pears'; did you mean 'pairs'?"),
    ],
)
def test_wrong_use_is_one_sentence_and_status_2(
    words: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """It names what is wrong, the nearest right word, and the help that tells more."""
    assert 2 == main(words)
    told = capsys.readouterr().err
    assert told.startswith(f"busbay: {sentence}"), told
    assert 1 == told.count("\n")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["case", "car.yaml"], "car.yaml, line 1: this is a vehicle file, not a case"),
        (["plan", "."], "no case '.'"),
        (["causes", "./"], "cannot be read: Is a directory"),
        (["codes", "six-modules", "--report", "day.asc/x"], "cannot be read: Not a directory"),
        (["next-check", "case.yaml", "--stories", "--before", "9"], "a step to be before is one of 2 to 2"),
        (["what-if", "six-modules", "--edit", "pull F99", "--do", "scan"], "no fuse or relay 'F99'"),
        (["new-case", "six-modules", "--scan-report", "table.csv", "--out", "x.yaml"], "says nothing"),
        (["case", "case.yaml", "--cache", "case.yaml"], "case.yaml: File exists"),
    ],
)  # fmt: skip
def test_bad_input_of_the_lab_is_one_sentence(
    words: list[str], sentence: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong file, folder, part, step or place ends the command with what is wrong, without a traceback."""
    (folder / "car.yaml").write_text(vehicle_text("six-modules"), encoding="utf-8")
    assert 1 == main(words)
    told = capsys.readouterr().err
    assert sentence in told
    assert "Traceback" not in told


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("run", ["--trace"]), ("diagram", ["--out"]), ("what-if", ["--html"]), ("what-if", ["--csv"]),
        ("case", ["--html"]), ("plan", ["--stories", "--html"]), ("codes", ["--html"]),
        ("lesson", ["--html"]), ("debrief", ["--html"]),
    ],
)  # fmt: skip
def test_a_file_is_told_when_it_is_written_and_when_it_cannot_be(
    name: str, more: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence names the file, and the reason where there is none."""
    made = [name, *QUICK[name], *more]
    assert 1 == main([*made, "no/made.txt"])
    assert (
        "busbay: no/made.txt cannot be written: No such file or directory"
        == capsys.readouterr().err.splitlines()[-1]
    )
    assert 0 == main([*made, "made.txt"])
    assert "made.txt is written." == capsys.readouterr().err.splitlines()[-1]
    assert (folder / "made.txt").stat().st_size


def test_a_new_file_that_found_no_room_is_not_in_the_way(folder: Path) -> None:
    """The half of a file is taken away, so that the next try finds no file of that name."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3, before[1]))
    try:
        with pytest.raises(Problem, match=r"mine\.yaml cannot be written: File too large"):
            write_new(folder / "mine.yaml", "a text")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert not (folder / "mine.yaml").exists()


def test_a_closed_output_is_no_traceback() -> None:
    """`busbay cars >&-` ends in silence, its errors too: Python has no output there at all."""
    for words in ("cars", "pears"):
        command = f"{sys.executable} -m sim.cli {words} >&- 2>&-"
        run = subprocess.run(["sh", "-c", command], cwd=ROOT, capture_output=True, check=False)
        assert ({"cars": 0, "pears": 2}[words], b"") == (run.returncode, run.stdout + run.stderr)


class Terminal(io.StringIO):
    """A terminal."""

    def isatty(self) -> bool:
        """It is one."""
        return True


def test_progress_says_what_is_done_and_left_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bar with both figures on the error output of a terminal; not a letter anywhere else."""
    for error, shown in ((Terminal(), True), (io.StringIO(), False)):
        monkeypatch.setattr(sys, "stderr", error)
        with progress("runs") as tell:
            tell(3, 10)
        assert shown == ("3/10" in error.getvalue())
        assert shown == ("left" in error.getvalue())


def completed(words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What bash is offered for the last of these words."""
    monkeypatch.setenv(COMPLETES, "bash_complete")
    monkeypatch.setenv("COMP_WORDS", f"busbay {words}")
    monkeypatch.setenv("COMP_CWORD", str(1 + words.count(" ", 0, words.rfind('"') if '"' in words else None)))
    assert 0 == main([])
    return [line.partition(",")[2] for line in capsys.readouterr().out.splitlines()]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("nex", ["next-check"]),
        ("car tea", ["teaching-car"]),
        ("exercise 02", ["02-left-in-storage"]),
        ("case ", list(shipped_cases())),
        ("run six-modules --giv", ["--given"]),
        ('run six-modules --given "unplug TC', ["unplug TCM.C1"]),
        ('run six-modules --do "scan', ["scan"]),
        ('try 2 --do "unplug TC', ["unplug TCM.C1"]),
        ("causes my", ["my"]),
    ],
)
def test_a_shell_completes_it(
    words: str, offered: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Commands, options, names of what ships, and sentences of the car that is named; otherwise files."""
    assert offered == completed(words, monkeypatch, capsys)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_of_each_shell_asks_busbay(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What `completion` prints has the shell call busbay for its words."""
    assert 0 == main(["completion", shell])
    assert f"{COMPLETES}={shell}_complete" in capsys.readouterr().out


def test_words_has_every_verb_and_each_sentence_is_understood() -> None:
    """The sentences of a car are read by the parser as written, and no verb of the registries is left out."""
    car = find_car("shuttle-minibus")
    texts = [one.text for one in sentences_of(car)]
    assert set() == {*ACTION_VERBS, *OBSERVATION_VERBS} ^ set(ACTIONS)
    others = (sentences_of(find_car(name)) for name in shipped_cars() if name != "shuttle-minibus")
    verbs = {text.split()[0] for text in texts} | {one.verb for every in others for one in every}
    assert set() == set(EDIT_VERBS) - verbs
    for text in texts[:: len(texts) // 2000]:
        parse_action(text, car)


def test_words_that_are_none_get_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """A beginning that is nearly a verb is answered with it."""
    assert 1 == main(["words", "six-modules", "unplgu"])
    assert (
        "busbay: no sentence of this car begins with 'unplgu'; did you mean 'unplug'?\n"
        == capsys.readouterr().err
    )
