"""Serves the front end: `python -m ui.serve`, with the options of `streamlit run`.

All pages are read in before the first visitor comes. Left to the first visit, a class of thirty that comes at
once would wait for it together, and for much longer: each of its threads takes its share of the processor.
"""

from __future__ import annotations

import sys
from pathlib import Path

from streamlit.web import cli

from ui import registry

FRONT_END = Path(registry.__file__).with_name("app.py")

if __name__ == "__main__":
    cli.main(["run", str(FRONT_END), *sys.argv[1:]])
