"""The `busbay` command itself: what it loads, and how it ends."""

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sim.bench.explain import Because
from sim.cli import BUSBAY, COMMANDS, main
from sim.instruments import run_command
from sim.interrupt import STOPPED

ROOT = Path(__file__).resolve().parent.parent
READ_ON = "  read: busbay handbook sentences#sentences\n"
HEAVY = {"numpy", "scipy", "streamlit", "matplotlib", "networkx", "pydantic", "simpy", "sqlalchemy", "can"}
HEAVY |= {"pandas", "rich", "ruamel"}


def test_help_waits_for_nothing_heavy() -> None:
    """The command and its list of subcommands load no library that takes time."""
    script = "import sys, sim.cli\nsim.cli.main(['--help'])\nprint(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in run.stdout.splitlines()[-1].split()}
    assert "sim" in loaded
    assert set() == loaded & HEAVY


def test_ctrl_c_while_the_command_itself_is_loaded_is_one_sentence() -> None:
    """Pressed in the middle of its first import: status 130 and no traceback."""
    script = (
        "import builtins, signal\nreal = builtins.__import__\n"
        "def interrupted(name, *more):\n"
        "    if name == 'click': signal.raise_signal(signal.SIGINT)\n"
        "    return real(name, *more)\n"
        "builtins.__import__ = interrupted\nimport sim.cli"
    )
    run = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (STOPPED, "busbay: stopped by Ctrl-C.\n") == (run.returncode, run.stderr)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_subcommand_tells_what_it_does(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Its help begins with its line in the list, and has examples that can be written so, and exit codes."""
    row = COMMANDS[name]
    assert 0 == main([name, "--help"])
    told = capsys.readouterr().out
    assert f"Usage: busbay {name}" in told
    assert row.line == (row.loaded().help or "").split("\n\n")[0]
    assert "130  stopped by Ctrl-C" in told
    for example in row.loaded().examples:
        assert name == shlex.split(example)[0]
        assert f"  busbay {example}\n" in told
        BUSBAY.make_context("busbay", shlex.split(example))


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="looks for child processes in /proc")
@pytest.mark.parametrize("later_s", [0.0, 1.0], ids=["workers import", "workers run"])
def test_ctrl_c_ends_a_command_of_the_lab_in_one_sentence(later_s: float) -> None:
    """A terminal sends SIGINT to the command and to the workers of its pool: one sentence, status 130."""
    command = [sys.executable, "-m", "sim.cli", "check-advice", "teaching-car", "--workers", "2"]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    ) as lab:
        children = Path(f"/proc/{lab.pid}/task/{lab.pid}/children")
        while lab.poll() is None and len(children.read_text().split()) < 3:  # a tracker and two workers
            time.sleep(0.01)
        time.sleep(later_s)
        os.killpg(lab.pid, signal.SIGINT)
        told, _ = lab.communicate(timeout=60)
    assert "busbay: stopped by Ctrl-C.\n" == told
    assert STOPPED == lab.returncode


def test_help_is_short_too_and_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """`-h` is `--help`, for each command as well; `--version` names program and version."""
    for words in (["-h"], ["run", "-h"]):
        assert 0 == main(words)
        assert capsys.readouterr().out.startswith("Usage: busbay")
    assert 0 == main(["--version"])
    assert re.fullmatch(r"busbay \d+\.\d+\.\d+\n", capsys.readouterr().out)


def test_run_without_an_action_lists_its_actions(capsys: pytest.CaptureFixture[str]) -> None:
    """A car at which nothing is done is answered with the sentences that could be."""
    assert 0 == main(["run", "six-modules"])
    told = capsys.readouterr().out
    assert "Nothing was done. Say what with --do 'ACTION'" in told
    assert "\nscan                         read every module" in told


def test_a_word_like_no_action_is_answered_with_all(capsys: pytest.CaptureFixture[str]) -> None:
    """Where no verb is near, the error names what people do: actions, repairs, observations."""
    assert 1 == main(["run", "six-modules", "--do", "xyzzy"])
    told = capsys.readouterr().err
    assert "busbay: no action begins with 'xyzzy'; actions begin with: press, brake, key, fob, " in told
    assert told.removesuffix(READ_ON).endswith("measure, load, scope, look, or a fault\n")


def test_a_long_answer_says_how_much_is_left_out(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of an answer with 1801 lines the command prints 100, and the count of the others."""
    answer = Because("flat", causes=tuple(Because(f"reason {number}") for number in range(1800)))
    monkeypatch.setattr(run_command, "why", lambda bench, question: answer)
    assert 0 == main(["run", "six-modules", "--why", "battery"])
    lines = capsys.readouterr().out.splitlines()
    assert ["flat", "  because reason 0"] == lines[:2]
    assert (101, "... and 1701 lines more") == (len(lines), lines[-1])


def test_a_long_word_is_cut_and_what_people_do_is_still_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """What was written may be long: the error quotes its beginning, and its list is whole."""
    assert 1 == main(["run", "six-modules", "--do", "xyzzy" * 100])
    told = capsys.readouterr().err
    assert "'xyzzyxyzzy" in told
    assert told.removesuffix(READ_ON).endswith("measure, load, scope, look, or a fault\n")


def test_codes_of_a_report_are_in_one_column(capsys: pytest.CaptureFixture[str]) -> None:
    """However long the modules' names are, their codes begin below each other."""
    actions = ["--do", "press start", "--do", "wait 5 s", "--do", "scan"]
    assert 0 == main(["run", "six-modules", "--given", "unplug ABS", *actions])
    told = capsys.readouterr().out.splitlines()
    rows = [row for row in told if "U0121" in row or "no answer" in row]
    assert {"ABS", "CLUSTER"} <= {row.split()[0] for row in rows}
    assert 1 == len({row.index(word) for row in rows for word in ("U0121", "no answer") if word in row})
