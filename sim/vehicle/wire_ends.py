"""Where a wire of a description ends, and the in-line connectors on its way."""

from __future__ import annotations

import re

from sim.vehicle.checks import Path
from sim.vehicle.description_base import NAME
from sim.vehicle.problems import Problem


def end_and_way(item: str, path: Path) -> tuple[str, list[str]]:
    """`DDM via X2 X3` -> DDM and the in-line connectors on the way."""
    words = item.split()
    shaped = words and (len(words) == 1 or (len(words) > 2 and words[1] == "via"))
    if not shaped or not re.fullmatch(rf"{NAME}(\.{NAME})?", words[0]):
        raise Problem(f"'{item}' is no end of a wire: write 'NAME', 'NAME.PIN' or 'NAME via X1'", path)
    return words[0], words[2:]
