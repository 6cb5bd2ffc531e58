"""Recordings, opened again by python-can's own readers."""

import io
import random
from pathlib import Path

import can
import numpy as np
import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.record_lines import AscLines, CandumpLines, LineWords, lines
from sim.link.recording import FORMATS, Recording
from sim.link.tap import add_tap
from sim.network.frames import Frame
from sim.vehicle.problems import Problem
from sim.vehicle.reading import read_car

Record = tuple[float, int, bytes, str]


def bench_of(car: str) -> Bench:
    return Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))


def recorded(bench: Bench, path: Path, *actions: str) -> tuple[Recording, list[Record]]:
    """A recording of some actions, and what the network itself says was on the wires."""
    heard: list[Record] = []
    bus_of = {channel: part.bus for channel, part in bench.car.transceivers.items()}

    def tap(start_s: float, end_s: float, frame: Frame, sender: str) -> None:
        heard.append((end_s, frame.can_id, frame.data, bus_of[sender]))

    end = add_tap(bench.live, tap)
    with Recording(bench.live, path) as recording:
        bench.do_all(actions)
    end()
    bench.do("wait 1 s")
    return recording, heard


def read(path: Path) -> list[can.Message]:
    with can.LogReader(path) as reader:
        return list(reader)


@pytest.mark.parametrize("suffix", FORMATS)
def test_everything_on_all_buses_comes_back(tmp_path: Path, suffix: str) -> None:
    """A recording read by python-can has every frame of every bus with its time."""
    bench = bench_of("teaching-car")
    recording, heard = recorded(bench, tmp_path / f"day{suffix}", "key run", "wait 2 s", "scan")
    buses = list(bench.car.built.buses)
    assert len(buses) > 1
    found: dict[str, list[can.Message]] = {bus: [] for bus in buses}
    for file in recording.files:
        for message in read(file):
            if suffix == ".log":
                found[str(message.channel)].append(message)
            elif suffix in (".asc", ".blf"):
                found[buses[int(message.channel)]].append(message)
            else:
                found[file.stem.removeprefix("day-")].append(message)
    assert len(heard) == recording.frames
    zero_s = min(messages[0].timestamp for messages in found.values() if messages)
    first_s = heard[0][0]
    for bus in buses:
        expected = [(can_id, data) for _, can_id, data, where in heard if where == bus]
        assert expected == [(message.arbitration_id, bytes(message.data)) for message in found[bus]]
        expected_s = [time_s - first_s for time_s, _, _, where in heard if where == bus]
        # .asc is written in whole microseconds
        assert expected_s == pytest.approx([m.timestamp - zero_s for m in found[bus]], abs=2e-6)


def test_the_scan_is_in_it(tmp_path: Path) -> None:
    """A request through two buses, and an answer in several frames, as candump would have shown them."""
    bench = bench_of("six-modules")
    path = tmp_path / "scan.log"
    recorded(bench, path, "press start", "unplug TCM.C1", "wait 3 s", "scan")
    lines = path.read_text().splitlines()
    assert any(line.split()[1:3] == ["main", "7E0#0319020FCCCCCCCC"] for line in lines)
    assert any(line.split()[1:3] == ["main", "7E8#0759027FC101872F"] for line in lines)


def test_a_lead_between_two_buses_puts_every_frame_on_both(tmp_path: Path) -> None:
    """Frames of two joined buses are recorded on both."""
    bench = bench_of("teaching-car")
    bench.do_all(
        ["key run", "wait 1 s", "unplug GATEWAY.C1", "bypass GATEWAY diag to powertrain", "wait 1 s"]
    )
    bench.live.plug_in()  # without anybody at the diagnostic connector the line has no second member
    bench.do("wait 0.1 s")
    with Recording(bench.live, tmp_path / "a.log"):
        bench.do("wait 1 s")
    heard: dict[str, list[tuple[float, int]]] = {"powertrain": [], "diag": []}
    for message in read(tmp_path / "a.log"):
        if message.channel in heard:
            heard[str(message.channel)].append((message.timestamp, message.arbitration_id))
    assert len(heard["powertrain"]) > 100
    assert heard["powertrain"] == heard["diag"]


def test_a_stopped_recording_grows_no_more(tmp_path: Path) -> None:
    """After the stop the file has all frames, and the bus is not tapped any more."""
    bench = bench_of("six-modules")
    recording, _ = recorded(bench, tmp_path / "a.log", "press start")
    assert recording.frames == len(read(tmp_path / "a.log"))
    assert bench.live.network.tap is None


def test_an_old_database_is_not_added_to(tmp_path: Path) -> None:
    """A database of an earlier recording is replaced."""
    path = tmp_path / "a.db"
    recorded(bench_of("six-modules"), path, "press start", "wait 1 s")
    recording, _ = recorded(bench_of("six-modules"), path, "press start")
    assert recording.frames == len(read(path))


def test_the_same_actions_give_the_same_bytes(tmp_path: Path) -> None:
    """Two recordings of the same actions are the same file."""
    for name in ("a.log", "b.log"):
        recorded(bench_of("six-modules"), tmp_path / name, "press start", "wait 1 s")
    assert (tmp_path / "a.log").read_bytes() == (tmp_path / "b.log").read_bytes()


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("a.trc", r"no recordings in '\.trc'.*; formats: \.log \.asc \.blf \.csv \.db"),
        ("a.lgo", r"no recordings in '\.lgo'; did you mean '\.log'\?"),
        ("nowhere/a.log", "cannot be written: No such file or directory"),
    ],
)
def test_files_that_cannot_be(tmp_path: Path, name: str, sentence: str) -> None:
    """A file that cannot be written is one sentence."""
    with pytest.raises(Problem, match=sentence):
        Recording(bench_of("six-modules").live, tmp_path / name)


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf"])
def test_fd_frames_come_back_as_such(tmp_path: Path, suffix: str) -> None:
    """Up to 64 bytes and the bit rate switch; the body bus of the same car stays classical."""
    bench = bench_of("small-estate")
    recording, heard = recorded(bench, tmp_path / f"day{suffix}", "press start", "wait 1 s")
    messages = [message for file in recording.files for message in read(file)]
    assert len(heard) == len(messages)
    long = {message.arbitration_id for message in messages if len(message.data) == 64}
    assert {0x0D8} == long
    fast = {message.arbitration_id for message in messages if message.is_fd}
    assert {True} == {message.bitrate_switch for message in messages if message.is_fd}
    assert 0x0D8 in fast
    assert 0x110 in {message.arbitration_id for message in messages if not message.is_fd}


@pytest.mark.parametrize("format", [CandumpLines(), AscLines()])
def test_lines_written_together_are_those_that_python_can_writes_one_by_one(
    format: CandumpLines | AscLines,
) -> None:
    """The times of many lines are rounded as python-can rounds each: halves, and days, among them."""
    dice = random.Random(3)
    ends_ns = sorted(
        dice.choice((1000, 500, 1)) * dice.randrange(1 << dice.choice((20, 34, 40))) for _ in range(900)
    )
    message = can.Message(arbitration_id=0x7E0, data=b"\x01\x02", is_extended_id=False, channel=1)
    file = io.StringIO()
    writer = format.writer_of(file)
    for end_ns in ends_ns:
        message.timestamp = end_ns / 1e9
        writer.on_message_received(message)
    from_ns = ends_ns[0] if isinstance(format, AscLines) else 0
    message.timestamp = 0.0
    words = LineWords(format).of(message)
    found = lines(format, np.array(ends_ns), from_ns, [words], np.zeros(len(ends_ns), int))
    assert file.getvalue().splitlines()[-len(ends_ns) :] == found.splitlines()


def test_one_recording_of_a_car_at_a_time(tmp_path: Path) -> None:
    """A second recording is refused while the first goes on, and possible after it."""
    live = bench_of("six-modules").live
    with Recording(live, tmp_path / "a.log"), pytest.raises(Problem, match="being recorded already"):
        Recording(live, tmp_path / "b.log")
    Recording(live, tmp_path / "b.log").stop()
