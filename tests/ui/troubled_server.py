"""A front end whose records get into trouble on demand: `python -m tests.ui.troubled_server`.

It serves as `python -m ui.serve` does. BUSBAY_TROUBLE_SOCKET is the path of a socket over which a test says
which trouble begins (`in_trouble`), and BUSBAY_PATIENCE_S how long a writer waits for another.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Client, Listener
from pathlib import Path

from sim.front_door import front_end_command
from sim.training import store
from tests.training.troubles import (
    ON_ITS_DISK,
    ON_ITS_SERVER,
    TROUBLES,
    VERSIONS,
    is_on_its_disk,
    is_on_its_server,
)

ALL = TROUBLES | VERSIONS
SOCKET, PATIENCE = "BUSBAY_TROUBLE_SOCKET", "BUSBAY_PATIENCE_S"


def command(port: int) -> list[str]:
    """The command line that serves at a port."""
    return [sys.executable, "-m", "tests.ui.troubled_server", *front_end_command(port)[3:]]


@contextmanager
def in_trouble(socket: Path, name: str) -> Iterator[None]:
    """Have the server in trouble until the block ends."""
    with Client(str(socket)) as line:
        line.send(name)
        assert "begun" == line.recv()
        yield
        line.send("enough")
        assert "over" == line.recv()


def _make_troubles(socket: str) -> None:
    from ui.state import classroom

    with Listener(socket) as listener:
        while True:
            with listener.accept() as line:
                engine = classroom.records().engine
                on_disk, on_server = is_on_its_disk(engine), is_on_its_server(engine)
                known = ALL | (ON_ITS_DISK if on_disk else ON_ITS_SERVER if on_server else {})
                with known[line.recv()][0](engine):
                    line.send("begun")
                    line.recv()
                line.send("over")


def main() -> None:
    """Serve."""
    store.BUSY_S = float(os.environ.pop(PATIENCE))
    threading.Thread(target=_make_troubles, args=(os.environ.pop(SOCKET),), daemon=True).start()
    from ui.serve import main as serve

    serve()


if __name__ == "__main__":
    main()
