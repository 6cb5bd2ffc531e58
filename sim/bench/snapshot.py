"""Snapshots of a bench, for benches that all go on from the same moment.

    snapshot = BenchSnapshot(bench)
    another = snapshot.clone()     # a bench of its own: what is done to one is not done to the other

Thirty students who get the same car need not wait until it has been driven into the bay thirty times: a clone
takes a tenth of that. What never changes (the description of the car, solved networks) is shared; what
changes is copied with `pickle` inside the process, by the list of kinds in `COPIED`. Anything else is an
error, so that no open file, iterator or lock is ever copied by accident.
"""

from __future__ import annotations

import collections
import functools
import importlib
import io
import itertools
import pickle
import random
import threading
from collections.abc import Callable
from types import (
    BuiltinFunctionType,
    CellType,
    CodeType,
    FunctionType,
    GeneratorType,
    MethodType,
    ModuleType,
    NoneType,
)
from typing import Any

from simpy.events import PENDING

from sim.bench.bench import Bench
from sim.vehicle import car
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.connectivity import Connectivity
from sim.wiring.paths import HarnessGraphs
from sim.wiring.power import PowerCircuit
from sim.wiring.reading import CircuitInventory
from sim.wiring.segments import ClusterConnectivity
from sim.wiring.solution import Solution

# values that never change; a circuit's switches change, but only while it is locked for one solution
SHARED = (
    PowerCircuit, CircuitInventory, Solution, Connectivity, ClusterConnectivity, BusCluster, HarnessGraphs,
    CodeType, ModuleType,
)  # fmt: skip
DESCRIBED_IN = car.__name__.rpartition(".")[0]

COPIED = {
    NoneType, bool, int, float, str, bytes, bytearray, memoryview, tuple, list, dict, set, frozenset,
    collections.OrderedDict, collections.defaultdict, collections.deque, functools.partial, itertools.count,
    random.Random, FunctionType, BuiltinFunctionType, MethodType, CellType,
}  # fmt: skip
COPIED_ROOMS = ("sim.bench.", "sim.modules.", "sim.network.", "sim.wiring.", "simpy.")


class NotNow(Exception):
    """The bench is in the middle of something that cannot be copied, such as a bus that runs bit by bit."""


class BenchSnapshot:
    """A bench at one moment. Raises `NotNow`. Several threads may clone it at the same time."""

    def __init__(self, bench: Bench) -> None:
        file = io.BytesIO()
        writer = _SnapshotWriter(file)
        try:
            writer.dump(bench)
        except (TypeError, pickle.PicklingError, RecursionError) as error:
            raise NotNow(str(error)) from error
        self._written, self._shared = file.getvalue(), tuple(writer.shared)

    def clone(self) -> Bench:
        """Return a bench of its own, in the state in which the first one was."""
        bench = _SnapshotReader(io.BytesIO(self._written), self._shared).load()
        assert isinstance(bench, Bench)
        return bench


class StartedOnce:
    """Benches that all start alike: `start` is called once if its bench can be cloned, else for each."""

    def __init__(self, start: Callable[[], Bench]) -> None:
        self._start = start
        self._lock = threading.Lock()
        self._snapshot: BenchSnapshot | None = None
        self._cannot = False

    @property
    def clones(self) -> bool:
        """Do the next benches come from a snapshot?"""
        return self._snapshot is not None

    def bench(self) -> Bench:
        """Return one more bench. Callers that come while the first is being prepared wait for it."""
        with self._lock:
            if self._snapshot is None and not self._cannot:
                first = self._start()
                try:
                    self._snapshot = BenchSnapshot(first)
                except NotNow:
                    self._cannot = True
                return first
        return self._start() if self._snapshot is None else self._snapshot.clone()

    def __reduce__(self) -> tuple[type[StartedOnce], tuple[Callable[[], Bench]]]:
        return StartedOnce, (self._start,)  # another process starts by itself


class _SnapshotWriter(pickle.Pickler):
    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self.shared: list[Any] = []
        self._numbers: dict[int, int] = {}

    def persistent_id(self, one: Any) -> int | None:
        """Return the number of a shared value, None for one that is copied."""
        if type(one) in COPIED:
            return None
        if one is PENDING or isinstance(one, SHARED) or type(one).__module__.startswith(DESCRIBED_IN):
            if id(one) not in self._numbers:
                self._numbers[id(one)] = len(self.shared)
                self.shared.append(one)
            return self._numbers[id(one)]
        _refuse_unknown(one)
        return None

    def reducer_override(self, one: Any) -> Any:
        """Say how to rebuild what pickle cannot."""
        if isinstance(one, FunctionType) and "<" in one.__qualname__:
            return closure(one, _function, one.__code__)
        return reduced(one)


def closure(one: FunctionType, rebuild: Callable[..., FunctionType], code: Any) -> tuple[Any, ...]:
    """How to rebuild a function that was made inside another one: `rebuild(code, module, name, ...)`."""
    made_of = (code, one.__module__, one.__name__, one.__defaults__, one.__closure__)
    return rebuild, made_of, {"__kwdefaults__": one.__kwdefaults__}


def reduced(one: Any) -> Any:
    """How to rebuild a function's cell, a class bound as a method, and what else pickle cannot."""
    if isinstance(one, CellType):
        return _cell, (), one.cell_contents, None, None, _fill
    if isinstance(one, MethodType) and isinstance(one.__func__, type):
        return _bound, (one.__func__, one.__self__)
    if isinstance(one, memoryview):
        return memoryview, (one.tobytes(),)
    if isinstance(one, itertools.count):
        return itertools.count, (next(one),)  # SimPy numbers events with it; only their order matters
    return NotImplemented


class _SnapshotReader(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, shared: tuple[Any, ...]) -> None:
        super().__init__(file)
        self._shared = shared

    def persistent_load(self, number: int) -> Any:
        """Return the shared value with this number."""
        return self._shared[number]


def _refuse_unknown(one: Any) -> None:
    """Raise `PicklingError` for a kind of value that no rule here knows how to copy."""
    kind = type(one)
    if isinstance(one, GeneratorType):
        raise pickle.PicklingError(f"{one.__qualname__} is at work")
    if not (isinstance(one, type) or kind.__module__.startswith(COPIED_ROOMS)):
        raise pickle.PicklingError(f"a {kind.__qualname__} cannot be copied")


def _function(
    code: CodeType,
    module: str,
    name: str,
    defaults: tuple[Any, ...] | None,
    cells: tuple[CellType, ...] | None,
) -> FunctionType:
    return FunctionType(code, vars(importlib.import_module(module)), name, defaults, cells)


def _bound(kind: type, owner: Any) -> MethodType:
    return MethodType(kind, owner)


def _cell() -> CellType:
    return CellType()


def _fill(cell: CellType, content: Any) -> None:
    cell.cell_contents = content
