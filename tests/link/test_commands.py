"""`busbay serve`, `record` and `import` as they are typed."""

import io
import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import can
import pytest
from doipclient import DoIPClient

from sim.cli import main
from sim.link.live_link import LiveLink
from sim.link.serve import serve, statement
from tests.link.conftest import HOST, bench_of

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")
ROOT = Path(__file__).resolve().parents[2]


def free_port() -> int:
    with socket.create_server((HOST, 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_serve_until_told_to_stop(how: signal.Signals) -> None:
    """The command serves clients and typed actions, and Ctrl-C or a kill ends it in order."""
    port = free_port()
    command = [sys.executable, "-u", "-m", "sim.cli", "serve", "six-modules", "--doip-port", str(port)]
    with subprocess.Popen(
        [*command, "--do", "press start", "--can", "virtual:here"],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as server:  # fmt: skip
        assert server.stdin is not None
        assert server.stdout is not None
        patience = threading.Timer(120, server.kill)  # a server that says nothing must not hold up the tests
        patience.start()
        try:
            told = [server.stdout.readline() for _ in range(5)]
            assert "press start" in told[0]
            assert "runs in real time" in told[1]
            assert f"diagnostics over IP on 127.0.0.1 port {port} (TCP and UDP)\n" == told[2]
            assert "gateway 0010, all modules E400, ECM 07E0" in told[3]
            assert "raw frames of the diagnostic connector on virtual:here\n" == told[4]

            with DoIPClient(HOST, 0x07E0, tcp_port=port) as client:
                client.send_diagnostic(bytearray(b"\x22\xf1\x86"))
                assert bytes.fromhex("62 F1 86 01") == bytes(client.receive_diagnostic(2))
            server.stdin.write("fly\n\nunplug TCM.C1\n")
            server.stdin.close()
            assert "busbay: no action begins with 'fly'" in server.stdout.readline()
            assert any("unplug TCM.C1" in server.stdout.readline() for _ in range(30))
        finally:
            server.send_signal(how)
        assert "stopped\n" == server.stdout.readlines()[-1]
        assert 0 == server.wait(timeout=20)
        patience.cancel()
        assert server.stderr is not None
        assert "" == server.stderr.read()


class InterruptedOutput(io.StringIO):
    """An output during whose first line about an action Ctrl-C is pressed."""

    def write(self, text: str) -> int:
        """Write, and be interrupted once."""
        written = super().write(text)
        if "unplug TCM.C1" in text and "stopped" not in self.getvalue():
            signal.raise_signal(signal.SIGINT)
        return written


def test_ctrl_c_while_the_last_action_is_told_tears_no_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """The input has ended, the outcome is being written: it is written whole, then the car stops."""
    monkeypatch.setattr(sys, "stdout", InterruptedOutput())
    link = LiveLink(bench_of("six-modules"), doip_port=None)
    assert 0 == serve(link, ["unplug TCM.C1\n"])
    told = sys.stdout.getvalue()  # type: ignore[attr-defined]
    assert ["s  unplug TCM.C1\n", "stopped\n"] == [line[-17:] for line in told.splitlines(True)[-2:]]
    assert not link.car.running


def test_ctrl_c_before_the_first_line_is_an_orderly_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal while the link starts is kept until the car can be stopped."""
    link = LiveLink(bench_of("six-modules"), doip_port=None)
    start = link.start
    monkeypatch.setattr(link, "start", lambda: (signal.raise_signal(signal.SIGTERM), start()))
    output = io.StringIO()
    monkeypatch.setattr(sys, "stdout", output)
    assert 0 == serve(link, [])
    assert output.getvalue().endswith("\nstopped\n")


def test_who_can_reach_it_is_said_plainly() -> None:
    """Nothing is opened here: the link is not started."""
    inside = "\n".join(statement(LiveLink(bench_of("six-modules"))))
    assert "CAUTION" not in inside
    outside = "\n".join(statement(LiveLink(bench_of("six-modules"), host="0.0.0.0")))
    assert "CAUTION: 0.0.0.0 is no loopback address. Every computer that reaches this one can talk" in outside


def test_a_bus_outside_of_this_program_needs_a_caution() -> None:
    """A bus of another program is announced with a caution, a virtual one is not."""
    link = LiveLink(bench_of("six-modules"), doip_port=None)
    link.bridges.append(SimpleNamespace(where="virtual:here"))  # type: ignore[arg-type]
    assert "CAUTION" not in "\n".join(statement(link))
    link.bridges.append(SimpleNamespace(where="socketcan:can0"))  # type: ignore[arg-type]
    assert "Never with a vehicle connected to that bus" in "\n".join(statement(link))


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            ["--can", "virtual"],
            "'virtual' is not a CAN bus; write INTERFACE:CHANNEL, for example virtual:car",
        ),
        (["--can", "virtul:car"], "the CAN bus 'virtul:car' cannot be opened:"),
        (["--given", "pull F99"], "F99"),
        (["--host", "192.0.2.1"], "cannot listen on 192.0.2.1 port"),
    ],
)
def test_what_cannot_be_served(options: list[str], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be served ends in one sentence and status 1."""
    assert 1 == main(["serve", "six-modules", "--doip-port", str(free_port()), *options])
    error, *more = capsys.readouterr().err.splitlines()
    assert error.startswith("busbay: ")
    assert sentence in error
    assert [] == [line for line in more if not line.startswith("  read: busbay handbook ")]


def test_a_car_without_a_connector_cannot_be_served(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A car without a diagnostic connector is refused."""
    path = tmp_path / "bare.yaml"
    path.write_text(
        "car: Bare\nbuses:\n  main: {line: [ECM terminated, TCM terminated]}\n"
        "fuses: {F1: {rating_a: 10, feeds: [ECM, TCM]}}\nmodules: {ECM: {}, TCM: {}}\n"
    )
    assert 1 == main(["serve", str(path)])
    assert "no diagnostic connector on a bus" in capsys.readouterr().err


def test_record_and_import(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recorded day is imported as a car, and nothing is overwritten."""
    log, car = tmp_path / "day.asc", tmp_path / "new.yaml"
    assert 0 == main(["record", "six-modules", "--do", "press start", "--do", "wait 5 s", "--out", str(log)])
    told = capsys.readouterr().out.splitlines()[-1]
    with can.LogReader(log) as reader:
        assert f"{len(list(reader))} frames in {log}" == told
    picture = tmp_path / "day.svg"
    record = ["record", "six-modules", "--do", "press start", "--out", str(log), "--picture", str(picture)]
    assert 0 == main(["import", str(log), "--out", str(car)])
    assert "6 messages" in capsys.readouterr().out
    assert 0 == main(["car", str(car)])
    assert "U6" in capsys.readouterr().out
    assert 1 == main(["import", str(log), "--out", str(car)])
    assert f"busbay: {car} cannot be written: File exists\n" == capsys.readouterr().err
    assert 0 == main(record)
    assert "<svg" in picture.read_text(encoding="utf-8")
    capsys.readouterr()
    assert 1 == main(["record", "six-modules", "--out", str(tmp_path / "a.xyz")])
    assert "no recordings in '.xyz'" in capsys.readouterr().err
