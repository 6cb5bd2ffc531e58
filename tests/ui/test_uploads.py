"""Spoiled uploads: each is accepted, or refused in one clear sentence.

Logs of busbay and logs of a bus; spoiled vehicle, exercise and case files are in `tests/vehicle` and
`tests/training`. A few hundred by default; `BUSBAY_MUTATIONS=210` makes it the long run.
"""

import json
import os
import random
import sqlite3
import tomllib
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import can
import pytest
from can.io.player import MESSAGE_READERS

from sim.bench.bench import Bench
from sim.link.log_car import table_rows
from sim.link.log_import import read_log
from sim.vehicle.problems import Problem, Unsettled
from sim.vehicle.reading import car_from_text
from tests.vehicle.test_mutations import MUTATIONS
from ui.state import bench_jobs, session
from ui.state.limits import PHOTO_MB
from ui.state.work import Canceled
from ui.views.quick_car import LOG_FORMATS

ROOT = Path(__file__).resolve().parents[2]
Mutation = Callable[[str, random.Random], str]

EACH = int(os.environ.get("BUSBAY_MUTATIONS", "10"))


def test_only_photos_may_be_as_large_as_the_server_takes() -> None:
    """The server takes a phone's photo; every field says how much it takes, and no other takes so much."""
    settings = tomllib.loads((ROOT / "ui/.streamlit/config.toml").read_text(encoding="utf-8"))
    assert settings["server"]["maxUploadSize"] == PHOTO_MB
    told = {
        path.name: [call.partition("max_upload_size=")[2].partition("_MB")[0] for call in calls]
        for path in (ROOT / "ui").rglob("*.py")
        if (calls := path.read_text(encoding="utf-8").split("st.file_uploader(")[1:])
    }
    assert ["PHOTO"] == told.pop("case_told.py")
    assert {"FILE"} == {size for sizes in told.values() for size in sizes}


def test_no_log_that_is_packed_or_a_database_is_taken_from_a_browser() -> None:
    """Of the formats that PyPI python-can reads those that are text: others can be made to have no end."""
    assert {".asc", ".csv", ".log", ".trc"} == {f".{ending}" for ending in LOG_FORMATS} & {*MESSAGE_READERS}
    assert {"blf", "db", "gz", "mf4"}.isdisjoint(LOG_FORMATS)


def refused(read: Callable[[], object]) -> str:
    """`accepted`, or `refused` if the refusal is short lines; otherwise what is wrong with the refusal."""
    try:
        read()
    except (Problem, Unsettled) as problem:
        words = str(problem)
        short = all(0 < len(line) < 700 for line in words.split("\n"))
        return "refused" if short else f"a poor refusal: {words}"
    return "accepted"


def outcomes(spoiled: Callable[[int, random.Random], Callable[[], object]], name: str) -> Counter[str]:
    """What comes of many spoiled files; any other exception fails with the seed."""
    found: Counter[str] = Counter()
    for seed in range(EACH):
        read = spoiled(seed, random.Random(f"{name} {seed}"))
        try:
            found[refused(read)] += 1
        except Exception as error:
            raise AssertionError(f"seed {seed}: {type(error).__name__}: {error}") from error
    return found


def restore(text: str) -> None:
    name, car_text, saved = bench_jobs.opened_log(text)
    Bench.restored(car_from_text(car_text, name), saved)


def saved_log() -> str:
    text = session.shipped_cars()["six-modules.yaml"]
    bench = {"given": ["pull F2"], "seed": 3, "log": ["wait 1 s", "press start", "look F2", "save a", "scan"]}
    return json.dumps({"busbay": 1, "car_name": "six-modules.yaml", "car": text, "bench": bench}, indent=1)


def spoiled_log(whole: str, mutate: Mutation, seed: int, dice: random.Random) -> str:
    """A log with something broken in it; every second time it is after the car, which is most of the text."""
    if seed % 2:
        return mutate(whole, dice)
    head, tail = whole.split('"bench"')
    return head + '"bench"' + mutate(tail, dice)


@pytest.mark.parametrize("mutate", MUTATIONS, ids=lambda mutate: mutate.__name__)
def test_a_spoiled_log_of_busbay(mutate: Mutation) -> None:
    """A log with anything broken in it is refused in one sentence, or opens whole."""
    whole = saved_log()

    def spoiled(seed: int, dice: random.Random) -> Callable[[], object]:
        text = spoiled_log(whole, mutate, seed, dice)
        return lambda: restore(text)

    assert {"accepted", "refused"} >= set(outcomes(spoiled, mutate.__name__))


def bus_log(folder: Path, ending: str) -> str:
    path = folder / f"whole.{ending}"
    with can.Logger(path) as logger:
        for number in range(60):
            logger.on_message_received(
                can.Message(
                    1000 + number / 100, 0x100 + number % 3, False, data=bytes([number] * 8), channel=0
                )
            )
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("ending", LOG_FORMATS)
def test_a_spoiled_log_of_a_bus(ending: str, tmp_path: Path) -> None:
    """A recorded bus log with anything broken in it is refused in one sentence, or read."""
    whole = bus_log(tmp_path, ending)
    path = tmp_path / f"log.{ending}"

    def spoiled(seed: int, dice: random.Random) -> Callable[[], object]:
        mutate = MUTATIONS[seed % len(MUTATIONS)]
        path.write_bytes(mutate(whole, dice).encode("utf-8", "replace"))
        return lambda: table_rows(read_log(path))

    assert {"accepted", "refused"} >= set(outcomes(spoiled, ending))


def test_a_database_with_something_else_where_a_time_should_be(tmp_path: Path) -> None:
    """Not from the browser: such a log is read by `busbay import`."""
    with closing(sqlite3.connect(tmp_path / "log.db")) as made, made:
        made.execute("CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data)")
        made.execute("INSERT INTO messages VALUES (NULL, 1, 0, 0, 0, 0, x'00')")
    with pytest.raises(Problem, match="cannot be read as a log: a frame at the time None"):
        read_log(tmp_path / "log.db")


@pytest.mark.parametrize(
    "text", ["[" * 200_000, '{"car_name": ' * 100_000, '{"car_name": "x", "car": "", "bench": []}']
)
def test_a_text_of_nothing_but_brackets_is_no_log(text: str) -> None:
    """Deep nesting is refused like any other text that is no log."""
    with pytest.raises(Problem, match=r"this (file )?is not a (busbay log|saved bench)|line 1"):
        restore(text)


def test_restoring_a_long_log_can_be_called_off() -> None:
    """Calling off stops the replay of a restored log."""
    log = json.loads(saved_log())
    log["bench"]["log"] = ["wait 24 h"] * 50
    told: list[float] = []

    def called_off(share: float) -> None:
        told.append(share)
        raise Canceled

    with pytest.raises(Canceled):
        bench_jobs.restore(session.fresh_session(), called_off, json.dumps(log))
    assert [0.0] == told
