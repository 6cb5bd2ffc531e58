"""Runs on a Dask cluster: the same accounts, also when a worker dies in the middle."""

import os
import signal
import time
from pathlib import Path

import pytest

from sim.lab.run import Trial
from sim.lab.run_cache import Cache
from sim.lab.sight import Account, Sight
from sim.lab.workshop import on_cluster
from sim.vehicle.problems import Problem

distributed = pytest.importorskip("distributed", reason="dask is not installed")


def fragile(trial: Trial) -> Account:
    """Notes its process; kills it the first time that it meets run 5, in the middle."""
    folder = Path(trial.vehicle)
    (folder / f"{trial.given[0]}-{os.getpid()}-{time.monotonic_ns()}").touch()
    if trial.given == ("5",) and not (folder / "died").exists():
        (folder / "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.02)
    return Account((Sight(trial.given[0], 0.0, "stopped", "off", "dark"),))


@pytest.mark.filterwarnings("ignore")
def test_a_worker_that_dies_is_made_up_for_and_nothing_finished_is_run_twice(tmp_path: Path) -> None:
    """A cluster gives a dead worker's run to another worker and repeats no finished run."""
    runs = tmp_path / "runs"
    runs.mkdir()
    trials = [Trial(str(runs), (str(k),)) for k in range(12)]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        for _ in range(2):
            with on_cluster(
                cluster.scheduler_address, cache=Cache(tmp_path / "cache"), runner=fragile
            ) as shop:
                accounts = shop.run(trials)
            assert [str(k) for k in range(12)] == [one.sights[0].action for one in accounts]
    assert (runs / "died").exists()
    begun = [name.name.split("-")[0] for name in runs.iterdir() if name.name != "died"]
    assert begun.count("5") == 2
    assert len(begun) <= 12 + 12 // 2  # what the dead worker held and had not handed over


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_does_not_answer_is_told_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """An address without a scheduler raises one clear error."""
    monkeypatch.setattr("sim.lab.workshop.CLUSTER_ANSWERS_S", 0.5)
    with pytest.raises(Problem, match="no Dask scheduler answers"), on_cluster("tcp://127.0.0.1:9"):
        pass
