"""A cache of values that take long to compute."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Recent(Generic[Value]):
    """Values by key; the least recently used goes first. For any number of threads."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._values: OrderedDict[Hashable, Value] = OrderedDict()
        self._lock = threading.RLock()

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """The value under a key, made if it is not there."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            value = self._values[key] = make()
            if len(self._values) > self._limit:
                self._values.popitem(last=False)
            return value

    def clear(self) -> None:
        """Forget all."""
        with self._lock:
            self._values.clear()

    def __getstate__(self) -> tuple[int, OrderedDict[Hashable, Value]]:
        return self._limit, self._values

    def __setstate__(self, state: tuple[int, OrderedDict[Hashable, Value]]) -> None:
        self._limit, self._values = state
        self._lock = threading.RLock()
