"""A bench as bytes, for another process of this program in this version.

    data = packed(bench)          # here
    bench = unpacked(data)        # there: what is done to it is done to that one alone

It is for the program's own pipes only, never for a file or the network: who unpacks bytes runs them. A
function made inside another one goes by its place in its module, a lock as a new lock. A bench in the middle
of something that cannot be carried, such as a bus that runs bit by bit, raises `NotNow`.
"""

from __future__ import annotations

import importlib
import io
import pickle
import sys
import threading
from collections.abc import Iterator
from functools import cache
from types import CodeType, FunctionType, ModuleType
from typing import Any

from simpy.events import PENDING

from sim.bench.snapshot import NotNow, closure, reduced

DEEPEST = 5000  # nested objects; a minibus has more than Python's own thousand
LOCKS = {type(threading.Lock()): threading.Lock, type(threading.RLock()): threading.RLock}

CodePlace = tuple[str, str, int, Any]  # module, qualified name, first line, places of its instructions


def packed(what: Any) -> bytes:
    """Everything that hangs together with a bench, or a tuple with one in it. Raises `NotNow`."""
    sys.setrecursionlimit(max(sys.getrecursionlimit(), DEEPEST))
    file = io.BytesIO()
    try:
        _Packer(file, pickle.HIGHEST_PROTOCOL).dump(what)
    except (TypeError, AttributeError, pickle.PicklingError, RecursionError) as error:
        raise NotNow(str(error)) from error
    return file.getvalue()


def unpacked(data: bytes) -> Any:
    """What was packed, by a process of this version."""
    sys.setrecursionlimit(max(sys.getrecursionlimit(), DEEPEST))
    return _Unpacker(io.BytesIO(data)).load()


class _Packer(pickle.Pickler):
    def persistent_id(self, one: Any) -> tuple[Any, ...] | None:
        """Return the name of what each process has its own of, None for what is carried."""
        if one is PENDING:
            return ("pending",)
        if isinstance(one, ModuleType):
            return "module", one.__name__
        if type(one) in LOCKS:
            return "lock", type(one) is type(threading.Lock()), id(one)
        if type(one) is object:
            raise pickle.PicklingError("a mark that another process would not know")
        return None

    def reducer_override(self, one: Any) -> Any:
        """Say how to rebuild what pickle cannot."""
        if isinstance(one, FunctionType) and "<" in one.__qualname__:
            return closure(one, _function, _place_of(one.__module__, one.__code__))
        return reduced(one)


class _Unpacker(pickle.Unpickler):
    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file)
        self._locks: dict[int, Any] = {}

    def persistent_load(self, name: tuple[Any, ...]) -> Any:
        """Return what this process has under a name."""
        kind, *which = name
        if kind == "lock":
            make = threading.Lock if which[0] else threading.RLock
            return self._locks.setdefault(which[1], make())
        return PENDING if kind == "pending" else importlib.import_module(which[0])


def _place_of(module: str, code: CodeType) -> CodePlace:
    return module, code.co_qualname, code.co_firstlineno, tuple(code.co_positions())


def _function(place: CodePlace, *made_of: Any) -> FunctionType:
    module, name, defaults, cells = made_of
    code = _codes_of(place[0])[place]
    return FunctionType(code, vars(importlib.import_module(module)), name, defaults, cells)


@cache
def _codes_of(module: str) -> dict[CodePlace, CodeType]:
    """All code of a module by its place."""
    spec = importlib.import_module(module).__spec__
    loader: Any = spec.loader if spec else None
    return {_place_of(module, code): code for code in _codes_in(loader.get_code(module))}


def _codes_in(code: CodeType) -> Iterator[CodeType]:
    yield code
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield from _codes_in(one)
