"""The pictures of the handbook, by the drawings of the pages.

    python -m ui.drawing.handbook_pictures FOLDER  # writes them

A chapter names a picture as Markdown does: `![words](map.svg)`. The page shows it in the colors of the
page; the files are SVG in light colors, drawn anew each time they are written.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from markupsafe import Markup

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.instruments.module_diagram import face
from sim.instruments.read import Notebook
from sim.instruments.service import ServiceInformation
from sim.markup import macros
from ui.drawing.car_map import car_map
from ui.drawing.dash import Controls, cluster, controls
from ui.drawing.fuse_box import boxes_of, fuse_box
from ui.drawing.instruments import Setup, display
from ui.drawing.layout import NARROW, layout_of
from ui.drawing.meter import DIAL
from ui.drawing.styles import style
from ui.drawing.wiring import marked
from ui.state.visible import all_visible

HERE = Path(__file__).parent
CAR = "teaching-car"
DAY = ("pull F3", "key run", "wait 2 s", "measure volts BAT+ to BODY")
NAMED = re.compile(r"^!\[([^\]]+)\]\(([\w-]+)\.svg\)$", re.MULTILINE)
# what makes a part of a drawing one to press: in the handbook it is a picture
TO_PRESS = re.compile(r' (?:data-id|tabindex|role|aria-[a-z]+)="[^"]*"')
UNNAMED_SVG = re.compile(
    r"<svg(?![^>]*xmlns=)"
)  # in a page it is known by its tag, in a file by its namespace
_html = macros(HERE / "handbook_pictures.html")


@dataclass(frozen=True, slots=True)
class Sized:
    """How a picture is drawn, and its size in a file, in px."""

    draw: Callable[[Bench], str]
    width: int
    height: int


def _map(bench: Bench) -> str:
    return car_map(bench.base, layout_of(bench.base, NARROW), all_visible(bench))


def _fuse_box(bench: Bench) -> str:
    return fuse_box(bench.base, next(iter(boxes_of(bench.base))), all_visible(bench), titles=True)


def _connector(bench: Bench) -> str:
    return marked(face(ServiceInformation(bench.base), "DLC", "mating"), {}, fit=True)


def _seat(bench: Bench) -> str:
    fitted = frozenset(one.operated_by for one in bench.base.built.switches.values())
    shown = all_visible(bench)
    return cluster(shown.seat) + controls(Controls(fitted, shown.operated, shown.seat.ignition, to_use=False))


def _strip(bench: Bench) -> str:
    return _html("strip")


def _meter(bench: Bench) -> str:
    at = ("BAT+", "BODY")
    return display(Setup("volts", at, at, tuple(DIAL)), Notebook().of(bench)[-1])


PICTURES = {
    "map": Sized(_map, 520, 420),
    "fuse-box": Sized(_fuse_box, 620, 245),
    "connector": Sized(_connector, 620, 330),
    "seat": Sized(_seat, 460, 335),
    "strip": Sized(_strip, 620, 70),
    "meter": Sized(_meter, 460, 285),
}


@cache
def picture(name: str) -> Markup:
    """One picture as HTML for a sheet, nothing on it to press; raises KeyError for an unknown one."""
    bench = Bench(find_car(CAR))
    bench.do_all(DAY)
    return Markup(TO_PRESS.sub("", PICTURES[name].draw(bench)))


def shown(name: str, words: str) -> Markup:
    """The same with its words for who cannot see it."""
    return _html("shown", picture(name), words, PICTURES[name].width)


def as_file(name: str) -> str:
    """One picture as an SVG file that needs nothing else."""
    theme = tomllib.loads((HERE.parent / ".streamlit" / "config.toml").read_text("utf-8"))["theme"]
    one = PICTURES[name]
    drawn = Markup(UNNAMED_SVG.sub('<svg xmlns="http://www.w3.org/2000/svg"', picture(name)))
    return _html("file", drawn, Markup(style()), one.width, one.height, theme["light"], theme)


def main(folder: Path) -> None:
    """Write all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in PICTURES:
        (folder / f"{name}.svg").write_text(as_file(name), encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("write: python -m ui.drawing.handbook_pictures FOLDER")
    main(Path(sys.argv[1]))
