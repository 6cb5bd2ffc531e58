"""A bench as it stands, cast again for everybody who goes on from there.

    mould = BenchSnapshot(bench)
    another = mould.cast()     # a bench of its own, from here on the same whatever is done to either

Thirty students who get the same car need not wait until it has been driven into the bay thirty times: a cast
takes a tenth of that. What never changes (the description of the car, solved networks) is shared; all that
changes is copied, with `pickle` inside the process, never outside of it.
"""

from __future__ import annotations

import importlib
import io
import pickle
import threading
from collections.abc import Callable
from types import CellType, CodeType, FunctionType, GeneratorType, MethodType, ModuleType
from typing import Any

from simpy.events import PENDING

from sim.bench.bench import Bench
from sim.vehicle import car
from sim.wiring.connectivity import BusCluster, ClusterConnectivity, Connectivity
from sim.wiring.power import PowerCircuit
from sim.wiring.solver import Solution
from sim.wiring.tracing import Tracer

# values that nobody changes; a circuit's switches change, but only while it is locked for one solution
SHARED = (PowerCircuit, Solution, Connectivity, ClusterConnectivity, BusCluster, Tracer, CodeType, ModuleType)
DESCRIBED_IN = car.__name__.rpartition(".")[0]


class NotNow(Exception):
    """The bench is in the middle of something that cannot be copied: a bus that is run bit by bit."""


class BenchSnapshot:
    """A bench as it was when the mould was made. Raises `NotNow`. For any number of threads."""

    def __init__(self, bench: Bench) -> None:
        file = io.BytesIO()
        writer = _Writer(file)
        try:
            writer.dump(bench)
        except (TypeError, pickle.PicklingError, RecursionError) as error:
            raise NotNow(str(error)) from error
        self._written, self._shared = file.getvalue(), tuple(writer.shared)

    def cast(self) -> Bench:
        """Another bench that stands as the first one did."""
        bench = _Reader(io.BytesIO(self._written), self._shared).load()
        assert isinstance(bench, Bench)
        return bench


class Begun:
    """Benches that all begin alike: `begin` is asked once, where its bench can be cast."""

    def __init__(self, begin: Callable[[], Bench]) -> None:
        self._begin = begin
        self._lock = threading.Lock()
        self._mould: BenchSnapshot | None = None
        self._cannot = False

    def bench(self) -> Bench:
        """One more. Whoever comes while the first is being prepared waits for it."""
        with self._lock:
            if self._mould is None and not self._cannot:
                first = self._begin()
                try:
                    self._mould = BenchSnapshot(first)
                except NotNow:
                    self._cannot = True
                return first
        return self._begin() if self._mould is None else self._mould.cast()

    def __reduce__(self) -> tuple[type[Begun], tuple[Callable[[], Bench]]]:
        return Begun, (self._begin,)  # another process begins by itself


class _Writer(pickle.Pickler):
    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self.shared: list[Any] = []
        self._numbers: dict[int, int] = {}

    def persistent_id(self, one: Any) -> int | None:
        """The number of what is shared."""
        if one is PENDING or isinstance(one, SHARED) or type(one).__module__.startswith(DESCRIBED_IN):
            if id(one) not in self._numbers:
                self._numbers[id(one)] = len(self.shared)
                self.shared.append(one)
            return self._numbers[id(one)]
        return None

    def reducer_override(self, one: Any) -> Any:
        """How to make again what pickle cannot: functions and their cells, a class bound as a method."""
        if isinstance(one, FunctionType) and "<" in one.__qualname__:
            made_of = (one.__code__, one.__module__, one.__name__, one.__defaults__, one.__closure__)
            return _function, made_of, {"__kwdefaults__": one.__kwdefaults__}
        if isinstance(one, CellType):
            return _cell, (), one.cell_contents, None, None, _fill
        if isinstance(one, MethodType) and isinstance(one.__func__, type):
            return _bound, (one.__func__, one.__self__)
        if isinstance(one, memoryview):
            return memoryview, (one.tobytes(),)
        if isinstance(one, GeneratorType):
            raise pickle.PicklingError(f"{one.__qualname__} is at work")
        return NotImplemented


class _Reader(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, shared: tuple[Any, ...]) -> None:
        super().__init__(file)
        self._shared = shared

    def persistent_load(self, number: int) -> Any:
        """What is shared under a number."""
        return self._shared[number]


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
