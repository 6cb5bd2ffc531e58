"""Signals and priority of the worker processes of a pool."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import parent_process, resource_tracker

from sim.garbage import kept_for_good

PATIENCE = 19  # niceness of a worker; our own choice


def begin_worker(runner: str) -> None:
    """Give a worker a low priority, so that clicks are served first, and leave Ctrl-C to its parent.

    runner: the module of the function that it will call.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "setpriority"):
        os.setpriority(os.PRIO_PROCESS, 0, PATIENCE)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    with kept_for_good():
        import_module(runner)


def _end_with_parent() -> None:
    """End a worker with its parent: the workers of a killed pool would wait for work forever."""
    parent = parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


@contextmanager
def deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started inside inherit a blocked SIGINT, which a terminal sends to all of them at once.

    Without this each of them, while it still imports, ends in a traceback. Not modeled: Windows, where no
    signal can be blocked.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # begun inside, it would unblock the signal again
    with _ctrl_c_later():
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _ctrl_c_later() -> Iterator[None]:
    """A Ctrl-C counts at the end: a process that is begun by halves would complain about what it never got.

    The mask alone does not do: a thread of a library, without one, may take the signal for the main thread.
    """
    if threading.current_thread() is not threading.main_thread():  # it alone has handlers
        yield
        return
    pressed: list[int] = []
    usual = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual or signal.SIG_DFL)
        if pressed and callable(usual):
            usual(signal.SIGINT, None)
