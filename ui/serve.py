"""Serves the front end: `python -m ui.serve`, with the options of `streamlit run`.

All pages are read in before the first visitor comes. Left to the first visit, a class of thirty that comes at
once would wait for it together, and for much longer: each of its threads takes its share of the processor.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from importlib import import_module
from pathlib import Path

from streamlit.logger import set_log_level
from streamlit.web import cli

from sim.front_door import PARENT_VARIABLE
from sim.garbage import kept_for_good
from ui.guard import guard_the_server

PARENT_CHECKED_EVERY_S = 0.5
# A page gives up the interpreter with each element that it sends, and gets it back when the thread that took
# it has had its time: Python's own 5 ms for each of sixty elements would be felt. Our own choice.
TURN_S = 0.0005


def main() -> None:
    """Serve until told to end, or until the command that started this process is gone."""
    os.umask(0o077)  # what is kept of a class is for its owner only
    parent = os.environ.pop(PARENT_VARIABLE, "")
    if parent:
        threading.Thread(target=_end_with, args=(int(parent),), daemon=True).start()
    sys.setswitchinterval(TURN_S)
    set_log_level("ERROR")  # the pages are read in before the server is, and its cache warns of that
    with kept_for_good():
        registry = import_module("ui.registry")
    guard_the_server(import_module("ui.errors").tell)
    front_end = Path(str(registry.__file__)).with_name("app.py")
    cli.main(["run", str(front_end), *sys.argv[1:]])


def _end_with(parent: int) -> None:
    """End this process in order when its parent is gone, even if that was killed."""
    while os.getppid() == parent:
        time.sleep(PARENT_CHECKED_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
