"""How the command ends with one sentence, also while its parts are still being imported."""

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

STOPPED = 130  # 128 + SIGINT: the exit status that shells give to what Ctrl-C ended (POSIX shell convention)
BY_CTRL_C = "stopped by Ctrl-C."


def told(sentence: str, status: int) -> int:
    """Print a sentence on the error output and return the status that goes with it."""
    line = "\n" if status == STOPPED and sys.stderr.isatty() else ""  # after the terminal's ^C
    print(f"{line}busbay: {sentence}", file=sys.stderr, flush=True)
    return status


@contextmanager
def ctrl_c_ends_at_once() -> Iterator[None]:
    """Nothing is begun yet, and an exception in the middle of a library's import may be taken for another."""

    def end(*_: object) -> NoReturn:
        os._exit(told(BY_CTRL_C, STOPPED))

    try:
        before = signal.signal(signal.SIGINT, end)
    except ValueError:  # in a thread: it gets no signals
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
