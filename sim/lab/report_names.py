"""Which module of a car a report means: by its name, its title, or the words for its role."""

from __future__ import annotations

import re
from collections.abc import Iterator

from sim.lab.report_words import plain
from sim.vehicle.car import Car
from sim.vehicle.codes import CodeError, module_role

BARE = re.compile(r"[^a-z0-9]+")


class ModuleNames:
    """The names of a car's modules, however a report writes them."""

    def __init__(self, car: Car) -> None:
        self._meant: dict[str, set[str]] = {}
        for name in car.claimed.modules:
            self._add(name, name)
        for name, spec in car.claimed.modules.items():
            for other in (spec.title, *_of_role(spec.role or name)):
                if bare(other) not in self._meant or name not in car.claimed.modules:
                    self._add(other, name)

    def _add(self, other: str, name: str) -> None:
        if key := bare(other):
            self._meant.setdefault(key, set()).add(name)

    def meant(self, text: str) -> str:
        """The module that a whole text names; "" for none, or for one of several."""
        for part in (text, *re.split(r"\s+[-–—/:]\s+|[()\[\]]|:\s*|,\s+", text)):
            found = self._meant.get(bare(part), set())
            if len(found) == 1:
                return next(iter(found))
        return ""

    def at_begin(self, text: str) -> tuple[str, str]:
        """The module that the first words of a text name, the most words that do, and the rest of it."""
        words = text.split()
        for count in range(min(len(words), 6), 0, -1):
            if name := self._exactly(" ".join(words[:count])):
                return name, " ".join(words[count:])
        return "", text

    def at_end(self, text: str) -> str:
        """The module that the last words of a text name."""
        words = text.split()
        ends = (" ".join(words[-count:]) for count in range(min(len(words), 6), 0, -1))
        return next((name for one in ends if (name := self._exactly(one))), "")

    def _exactly(self, text: str) -> str:
        found = self._meant.get(bare(text), set())
        return next(iter(found)) if len(found) == 1 else ""


def bare(text: str) -> str:
    """A name without case, accents, spaces and signs."""
    return BARE.sub("", plain(text))


def _of_role(role: str) -> Iterator[str]:
    try:
        row = module_role(role)
    except CodeError:
        return
    yield from (row.role, *row.others, row.title)
