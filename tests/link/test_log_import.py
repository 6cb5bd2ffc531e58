"""Logs become vehicle files: identifiers, lengths and periods as the log has them."""

import random
from pathlib import Path

import can
import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.link.log_car import table_rows, vehicle_file
from sim.link.log_import import forwarded, read_log
from sim.link.recording import Recording
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import vehicle_file as file_of_table
from sim.vehicle.reading import car_from_text, read_car


def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def imported(tmp_path: Path, log: Path, channel: str | None = None) -> Car:
    path = tmp_path / "new.yaml"
    path.write_text(vehicle_file(read_log(log, channel)), encoding="utf-8")
    return read_car(path)


def write_log(path: Path, messages: list[can.Message]) -> Path:
    with can.Logger(path) as writer:
        for message in sorted(messages, key=lambda one: one.timestamp):
            writer.on_message_received(message)
    return path


def frame(time_s: float, can_id: int, data: bytes = b"\1", **more: bool) -> can.Message:
    kind = {"is_extended_id": False, **more}
    return can.Message(timestamp=time_s, arbitration_id=can_id, data=data, channel="can0", **kind)


def periodic(
    can_id: int, period_s: float, count: int, length: int = 8, jitter_s: float = 0.0
) -> list[can.Message]:
    rng = random.Random(can_id)
    return [
        frame(100 + number * period_s + rng.uniform(-jitter_s, jitter_s), can_id, rng.randbytes(length))
        for number in range(count)
    ]


@pytest.mark.parametrize("bus", ["powertrain", "body", "comfort"])
def test_a_recorded_bus_comes_back(tmp_path: Path, bus: str) -> None:
    """Every identifier with its length and period, on a bus of five and on one that is two thirds full."""
    bench = Bench(shipped("shuttle-minibus"))
    bench.do_all(["press start", "press start", "wait 2 s"])
    with Recording(bench.live, tmp_path / "bus.log"):
        bench.do("wait 10 s")
    car = imported(tmp_path, tmp_path / "bus.log", bus)
    heard = {
        message.can_id: (message.period_s, message.length)
        for (name, where), stream in bench.live.world.streams.items()
        for message in [bench.car.messages.sent[name]]
        if where == bus and stream.live
    }
    management = bench.live.world.management.get(bus, {}).values()
    heard |= {one.can_id: (one.period_s, len(one.data)) for one in management if one.live}
    assert heard == {one.can_id: (one.period_s, one.length) for one in car.messages.sent.values()}
    assert [f"U{number}" for number in range(1, len(heard) + 1)] == list(car.built.modules)


def test_an_imported_car_runs_and_sends_what_the_log_has(tmp_path: Path) -> None:
    """An imported car sends the identifiers, periods and lengths of its log."""
    log = [*periodic(0x100, 0.010, 300), *periodic(0x2A0, 0.1, 30, 4), *periodic(0x6FF, 1.0, 4, 0)]
    car = imported(tmp_path, write_log(tmp_path / "a.asc", log))
    bench = Bench(car)
    bench.do("wait 2 s")
    with Recording(bench.live, tmp_path / "again.asc"):
        bench.do("wait 10 s")
    (again,) = read_log(tmp_path / "again.asc")
    assert [(0x100, 10, 8), (0x2A0, 100, 4), (0x6FF, 1000, 0)] == [
        (one.can_id, one.period_ms, one.length) for one in again.identifiers
    ]
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent


def test_periods_survive_jitter_gaps_and_noise(tmp_path: Path) -> None:
    """A period is found in spite of jitter and a gap."""
    log = periodic(0x123, 0.05, 400, jitter_s=0.01)
    del log[100:200]  # the car slept
    assert 50 == pytest.approx(
        read_log(write_log(tmp_path / "a.log", log))[0].identifiers[0].period_ms, abs=1
    )
    assert read_log(tmp_path / "a.log")[0].identifiers[0].regular


def test_events_are_told_apart(tmp_path: Path) -> None:
    """Frames at random times are marked as irregular."""
    rng = random.Random(3)
    times_s = sorted(rng.uniform(0, 60) for _ in range(40))
    log = [frame(time_s, 0x321) for time_s in times_s]
    assert "# irregular" in vehicle_file(read_log(write_log(tmp_path / "a.log", log)))


def test_a_period_that_a_vehicle_file_does_not_take(tmp_path: Path) -> None:
    """A period below the limit is set to the limit and noted."""
    log = write_log(tmp_path / "a.log", periodic(0x100, 0.002, 50))
    text = vehicle_file(read_log(log))
    assert "period_ms: 5, length: 8}  # seen every 2 ms, which a vehicle file does not take" in text
    assert 0.005 == imported(tmp_path, log).messages.sent["U1.m100"].period_s


def test_what_a_vehicle_file_cannot_hold_is_counted(tmp_path: Path) -> None:
    """What is left out of a log is named in the file."""
    log = [
        *periodic(0x200, 0.1, 10),
        *periodic(0x7E8, 0.1, 10),
        *periodic(0x300, 0.1, 2),
        frame(101, 0x18DAF110, is_extended_id=True),
        frame(101.5, 0x123, is_extended_id=True),
        frame(102, 0x201, b"", is_remote_frame=True),
    ]
    text = vehicle_file(read_log(write_log(tmp_path / "a.log", log)))
    assert "# Left out, diagnosis or fewer than 3 frames: 300 7E8 18DAF110\n" in text
    assert "# Left out: 1 frame with a 29-bit identifier up to 7FF.\n" in text
    assert "# Left out: 1 frame of another kind.\n" in text
    (tmp_path / "a.yaml").write_text(text)
    assert [0x200] == [one.can_id for one in read_car(tmp_path / "a.yaml").messages.sent.values()]


def test_29_bits_and_the_sizes_of_can_fd_are_kept(tmp_path: Path) -> None:
    """A car of such a log sends them again, with their periods; so does one that began as a table."""
    kinds = {0x18FF1234: (8, False), 0x0CF00400: (8, False), 0x1A0: (48, True), 0x18FF5678: (64, True)}
    log = [
        frame(100 + number * 0.1, can_id, bytes([number]) * length, is_extended_id=can_id > 0x7FF, is_fd=fd)
        for can_id, (length, fd) in kinds.items()
        for number in range(20)
    ]
    path = write_log(tmp_path / "a.log", log)
    text = vehicle_file(read_log(path))
    assert "# 40 frames are of CAN FD." in text
    assert "# 40 frames are classical ones; here all modules of it send CAN FD." in text
    assert "If it is SAE J1939" in text
    sizes = {can_id: length for can_id, (length, _) in kinds.items()}
    for car in (car_from_text(text), car_from_text(file_of_table(table_rows(read_log(path)), "Mine"))):
        assert sizes == {one.can_id: one.length for one in car.messages.sent.values()}
        assert [one > 0x7FF for one in sizes] == [
            next(sent.extended for sent in car.messages.sent.values() if sent.can_id == one) for one in sizes
        ]
    bench = Bench(car_from_text(text))
    bench.do("wait 2 s")
    with Recording(bench.live, tmp_path / "again.log"):
        bench.do("wait 2 s")
    (again,) = read_log(tmp_path / "again.log")
    assert {(can_id, 100.0, length) for can_id, length in sizes.items()} == {
        (one.can_id, one.period_ms, one.length) for one in again.identifiers
    }


def test_more_identifiers_than_a_car_has_modules(tmp_path: Path) -> None:
    """Many identifiers share the modules that a car may have."""
    log = [message for can_id in range(0x100, 0x100 + 200) for message in periodic(can_id, 0.5, 4)]
    car = imported(tmp_path, write_log(tmp_path / "a.log", log))
    assert 90 == len(car.built.modules)
    assert 200 == len(car.messages.sent)


@pytest.mark.parametrize("title", ["a: b # c.log", "q\"uote'.log", "näme.log"])
def test_names_that_need_quotes(tmp_path: Path, title: str) -> None:
    """A file name that YAML would misread becomes the title as it is."""
    log = write_log(tmp_path / title, periodic(0x100, 0.1, 5))
    assert f"Imported from {title}" == imported(tmp_path, log).title


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("none.log", None, "there is no log"),
        ("none.db", None, "there is no log"),
        ("empty.log", b"", "holds no frames"),
        ("a.txt", b"x", "cannot be read as a log: No read support"),
        ("a.log", b"this is no log\n", "cannot be read as a log"),
        ("a.blf", b"LOGG" + bytes(200), r"cannot be read as a log|holds no frames"),
        ("a.db", b"not a database", "cannot be read as a log"),
        ("a.asc", b"\xff\xfe\x00", "cannot be read as a log"),
        ("a.csv", b"head\n1,2,3\n", "cannot be read as a log"),
    ],
)
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # python-can leaves .blf open
def test_logs_that_cannot_be_read(tmp_path: Path, name: str, content: bytes | None, sentence: str) -> None:
    """An unreadable log is one sentence, and no file is made."""
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(Problem, match=sentence):
        read_log(path)
    assert path.exists() == (content is not None), "asking must not make a file"


def test_one_channel_of_several_can_be_chosen(tmp_path: Path) -> None:
    """Without a choice every channel is a bus; one that the log does not hold is asked back."""
    other = periodic(0x300, 0.1, 5)
    for message in other:
        message.channel = "can1"
    path = write_log(tmp_path / "a.log", [*periodic(0x200, 0.1, 5), *other])
    assert ["can0", "can1"] == [one.channel for one in read_log(path)]
    with pytest.raises(Problem, match=r"holds no channel 'can2'"):
        read_log(path, "can2")
    assert [0x300] == [one.can_id for one in read_log(path, "can1")[0].identifiers]


def test_only_the_usual_bit_rates(tmp_path: Path) -> None:
    """A bit rate that no bus has is refused with those that exist."""
    log = read_log(write_log(tmp_path / "a.log", periodic(0x200, 0.1, 5)))
    assert "bitrate_bps: 250000" in vehicle_file(log, 250_000)
    with pytest.raises(Problem, match="a bus has no bit rate of 123 bit/s; choose 125000, 250000"):
        vehicle_file(log, 123)


def test_a_log_of_nothing_but_diagnosis(tmp_path: Path) -> None:
    """A log without messages is refused in one sentence."""
    log = read_log(write_log(tmp_path / "a.log", periodic(0x7E8, 0.1, 5)))
    with pytest.raises(Problem, match="no identifier below 700 with three frames"):
        vehicle_file(log)


@pytest.mark.parametrize("count", [3, 95])
def test_the_table_of_a_log_makes_a_car_that_sends_the_same(tmp_path: Path, count: int) -> None:
    """Also where there are more identifiers than a car has modules."""
    messages = [one for number in range(count) for one in periodic(0x100 + number, 0.02, 3)]
    log = read_log(write_log(tmp_path / "a.log", messages))
    car = car_from_text(file_of_table(table_rows(log)), "table")
    sent = {(one.can_id, one.period_s, one.length) for one in car.messages.sent.values()}
    assert {(0x100 + number, 0.02, 8) for number in range(count)} == sent


def test_a_whole_car_comes_back_from_one_log_with_what_its_gateway_passes_on(tmp_path: Path) -> None:
    """Every bus of a recorded minibus; what is on several buses begins at its sender."""
    bench = Bench(shipped("shuttle-minibus"))
    bench.do_all(["press start", "press start", "wait 2 s"])
    with Recording(bench.live, tmp_path / "day.log"):
        bench.do("wait 6 s")
    log = read_log(tmp_path / "day.log")
    messages, came = bench.car.messages, forwarded(log)
    buses: dict[int, set[str]] = {}
    for (name, bus), stream in bench.live.world.streams.items():
        if stream.live:
            buses.setdefault(messages.sent[name].can_id, set()).add(bus)
    sender = {one.can_id: one.sender for one in messages.sent.values()}
    for can_id, carried in buses.items():
        (origin,) = carried - {bus for number, bus in came if number == can_id}
        assert origin in messages.buses_of[sender[can_id]]
        assert {origin} >= {came[can_id, bus] for bus in carried - {origin}}
    car = car_from_text(vehicle_file(log), "log")
    assert set.union(*buses.values()) == set(car.built.buses)
    again = {(car.messages.sent[one.message].can_id, one.to_bus) for one in car.messages.routes}
    assert set(came) <= again
    assert {"GATEWAY"} == {one.gateway for one in car.messages.routes}


def test_an_identifier_of_two_buses_with_other_bytes_is_two_messages(tmp_path: Path) -> None:
    """The same number on two buses alone shows no gateway; a copy with the same bytes does."""
    first = periodic(0x200, 0.1, 20)
    copies, others = periodic(0x200, 0.1, 20), periodic(0x200, 0.1, 20, length=4)
    more = periodic(0x300, 0.1, 20)
    for one in copies:
        one.timestamp += 0.002
        one.channel = "can1"
    for one in [*others, *more]:
        one.timestamp += 0.002
        one.channel = "can2"
    log = read_log(write_log(tmp_path / "a.log", [*first, *copies, *others, *more]))
    assert {(0x200, "can1"): "can0"} == forwarded(log)
    text = vehicle_file(log)
    assert "#   from can0 to can1: 200\n" in text
    assert "# Left out on can2, on an earlier bus with other bytes: 200\n" in text
    sent = car_from_text(text, "log").messages.sent
    assert [("U1", 0x200), ("U3", 0x300)] == [(one.sender, one.can_id) for one in sent.values()]


def test_the_table_of_several_buses_has_their_gateway(tmp_path: Path) -> None:
    """Numbers of channels become names of buses; the first module of the other bus hears the message."""
    first, copies = periodic(0x200, 0.1, 20), [*periodic(0x200, 0.1, 20), *periodic(0x300, 0.1, 20)]
    for one in first:
        one.channel = 0
    for one in copies:
        one.timestamp += 0.002
        one.channel = 1
    rows = table_rows(read_log(write_log(tmp_path / "a.asc", [*first, *copies])))
    assert [("GATEWAY", "bus0, bus1", "-"), ("U1", "bus0", "-"), ("U2", "bus1", "U1")] == [
        (row.module, row.bus, row.hears) for row in rows
    ]
    routes = car_from_text(file_of_table(rows), "table").messages.routes
    assert ["bus1"] == [one.to_bus for one in routes if one.sender == "U1"]
