"""A workshop on a Dask cluster."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sim.lab.run import run_trial
from sim.lab.run_cache import Cache
from sim.lab.workshop import Runner, Workshop
from sim.vehicle.problems import Problem

CLUSTER_ANSWERS_S = 10.0


@contextmanager
def on_cluster(address: str, *, cache: Cache | None = None, runner: Runner = run_trial) -> Iterator[Workshop]:
    """A workshop on a Dask cluster whose scheduler is at this address, e.g. `tcp://10.0.0.5:8786`.

    Its workers need this program in this version. What a worker was doing when it died is given to another.
    Raises `Problem` where `dask` is not installed or no scheduler answers.
    """
    try:
        import distributed
    except ImportError:
        raise Problem("a cluster needs Dask: install busbay with its extra 'dask'") from None
    cluster: Any = distributed  # without type hints
    try:
        client: Any = cluster.Client(address, timeout=CLUSTER_ANSWERS_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise Problem(f"no Dask scheduler answers at {address}: {error}") from None
    with client, Workshop(client.get_executor(pure=False), cache=cache, runner=runner) as workshop:
        yield workshop
