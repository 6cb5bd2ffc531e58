"""Keeps the garbage collector away from what lives as long as the process: the program itself.

    with kept_for_good():
        import_module("ui.registry")

Modules, classes and models are some 200,000 objects. The collector of Python would look through all of them
again and again while cars come and go: a third of the time of a simulation.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def kept_for_good() -> Iterator[None]:
    """What is there at the end of the block is not looked through again; inside, garbage waits."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was_on:
            gc.enable()
