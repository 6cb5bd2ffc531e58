"""The command and the door: a passphrase from the machine itself, and what `--address` exposes."""

import getpass
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sim import cli, front_door
from sim.training.passphrase import Door, WrongPassphrase
from sim.training.records import Records


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path}/classes.sqlite"


def saying(monkeypatch: pytest.MonkeyPatch, *words: str) -> None:
    said: Iterator[str] = iter(words)
    monkeypatch.setattr(getpass, "getpass", lambda prompt: next(said))


def test_a_passphrase_is_chosen_on_the_machine_itself(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """`passphrase` sets a passphrase, and a second one ends all visits of the first."""
    saying(monkeypatch, "first passphrase", "first passphrase")
    assert 0 == cli.main(["passphrase", "--records", url])
    records = Records(url)
    token = Door(records.engine).open("first passphrase")
    saying(monkeypatch, "second passphrase", "second passphrase")
    assert 0 == cli.main(["passphrase", "--records", url])
    assert not Door(records.engine).knows(token)
    Door(records.engine).open("second passphrase")
    with pytest.raises(WrongPassphrase):
        Door(records.engine).open("first passphrase")
    records.close()


def test_another_instructor_is_added_on_the_machine_itself(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """`passphrase --name` adds an instructor, or gives one another passphrase; the first stays signed in."""
    saying(monkeypatch, *2 * ["first passphrase"], *2 * ["hers, the first"], *2 * ["hers, the second"])
    assert 0 == cli.main(["passphrase", "--records", url])
    records = Records(url)
    token = Door(records.engine).open("first passphrase")
    for _ in range(2):
        assert 0 == cli.main(["passphrase", "--name", "Ines", "--records", url])
    door = Door(records.engine)
    assert door.knows(token)
    assert "Ines" == door.who(door.open("hers, the second", name="Ines")).name
    records.close()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("short",), "a passphrase has 10 to 200 characters"),
        (("first passphrase", "first passphrasf"), "the two passphrases differ"),
    ],
)
def test_a_passphrase_that_is_none_changes_nothing(
    url: str,
    words: tuple[str, ...],
    sentence: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A short or mistyped passphrase is refused and none is set."""
    saying(monkeypatch, *words)
    assert 1 == cli.main(["passphrase", "--records", url])
    assert sentence in capsys.readouterr().err
    records = Records(url)
    assert not Door(records.engine).has_passphrase
    records.close()


class NoServer:
    """Stands for the server's process."""

    commands: list[list[str]]

    def __init__(self, command: list[str], **_: Any) -> None:
        self.commands.append(command)

    def __enter__(self) -> "NoServer":
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def wait(self) -> int:
        return 0

    def terminate(self) -> None:
        raise AssertionError("it was not asked to end")


@pytest.mark.parametrize(("address", "told"), [(None, False), ("localhost", False), ("0.0.0.0", True)])
def test_what_is_exposed_is_said_before_it_is(
    url: str,
    address: str | None,
    told: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`bay --address` says what it exposes; serving this computer only says nothing."""
    NoServer.commands = []
    monkeypatch.setattr(subprocess, "Popen", NoServer)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setattr(front_door, "_refuse_port_in_use", lambda *_: None)
    chosen = [] if address is None else ["--address", address]
    assert 0 == cli.main(["bay", "--records", url, *chosen])
    (command,) = NoServer.commands
    assert (address or "127.0.0.1") == command[command.index("--server.address") + 1]
    words = capsys.readouterr().err
    assert told == ("Nothing is encrypted on the way" in words)
    assert told == ("try the instructor's passphrase" in words)


def test_a_port_in_use_names_the_option_that_helps(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The command starts no server at a port where another program listens, and says what to do."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert 1 == cli.main(["bay", "--records", url, "--port", str(port)])
    told = capsys.readouterr()
    expected = f"busbay: port {port} is in use, perhaps by another bay; choose another one with --port\n"
    assert ("", expected) == (told.out, told.err)


def test_a_killed_bay_takes_its_server_along(tmp_path: Path, url: str) -> None:
    """The bay prints its own line alone, and its server ends after a kill that the command cannot catch."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    printed = tmp_path / "printed"
    with printed.open("w") as out, subprocess.Popen(
        [sys.executable, "-m", "sim.cli", "bay", "--records", url, "--port", str(port)],
        cwd=Path(__file__).resolve().parents[2],
        env=os.environ | {"STREAMLIT_SERVER_HEADLESS": "true"},
        stdout=out,
        stderr=subprocess.STDOUT,
    ) as bay:  # fmt: skip
        _wait_until(port, serving=True)
        assert f"busbay: the bay opens at http://127.0.0.1:{port}; Ctrl-C ends it.\n" == printed.read_text()
        bay.send_signal(signal.SIGKILL)
    _wait_until(port, serving=False)


def _wait_until(port: int, serving: bool) -> None:
    for _ in range(600):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5):
                found = True
        except OSError:
            found = False
        if found == serving:
            return
        time.sleep(0.1)
    raise AssertionError(f"serving is still {not serving}")
