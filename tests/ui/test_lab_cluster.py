"""Searches of the front end's lab on a Dask cluster by its address."""

import time
from collections.abc import Iterator
from typing import Any

import pytest

from sim import cli
from sim.lab.workshop import CLUSTER_VARIABLE, Progress, Stop, Workshop
from ui.state.lab_work import LabWork

distributed = pytest.importorskip("distributed", reason="dask is not installed")
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture
def cluster() -> Iterator[Any]:
    """A scheduler with two workers, in this process."""
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        dashboard_address=None,
        host="127.0.0.1",
    ) as one:
        yield one


def where(item: int) -> str:
    """The name of the worker that does it."""
    return str(distributed.get_worker().address)


def task(shop: Workshop, tell: Progress, ends: Stop) -> list[str]:
    return [place for _, place in shop.spread(where, {number: number for number in range(8)}, stop=ends)]


def finished() -> LabWork:
    """A search, from its beginning to its end."""
    work = LabWork(task)
    last_s = time.monotonic() + 60
    while work.going_on and time.monotonic() < last_s:
        time.sleep(0.05)
    assert not work.going_on
    return work


def test_a_search_of_the_front_end_is_done_by_the_workers_of_its_cluster(
    cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the cluster's address every piece of a search is done there."""
    monkeypatch.setenv(CLUSTER_VARIABLE, cluster.scheduler_address)
    work = finished()
    assert "" == work.problem
    assert {one.worker_address for one in cluster.workers.values()} >= set(work.found)
    assert 8 == len(work.found)


def test_a_cluster_that_is_gone_is_told_on_the_page_and_at_the_start(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence in the place of what was searched for; `busbay bay` does not begin with it."""
    monkeypatch.setattr("sim.lab.workshop.CLUSTER_ANSWERS_S", 0.5)
    monkeypatch.setenv(CLUSTER_VARIABLE, "tcp://127.0.0.1:9")
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in finished().problem
    assert 1 == cli.main(["bay", "--cluster", "tcp://127.0.0.1:9"])
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err
