"""A sheet on which a diagram is drawn: lines, boxes, words and parts to click on, as an SVG tree.

Not modeled: crossings kept apart on one page, shields, twisted pairs drawn as such.
"""

from __future__ import annotations

from sim import svg

MARGIN = 24  # px
INK, WIRE, FAINT = "#1b1f24", "#3b4a5a", "#5c6873"
PAPER, BOX = "#ffffff", "#f4f6f8"
PAINT = {
    "RD": "#c22f2f", "BN": "#7a4a24", "YE": "#b8920a", "GN": "#2e8540", "BU": "#2563a8", "VT": "#7d4aa8",
    "GY": "#7b8490", "WH": "#a9b0b8", "OG": "#d5711a", "BK": "#1b1f24", "": WIRE,
}  # fmt: skip


class Sheet:
    """Marks in an SVG group; the size grows with them. Lengths in px, from the top left corner."""

    def __init__(self) -> None:
        self.marks: list[svg.Node] = []
        self.width = 0.0
        self.height = 0.0

    def reach(self, x: float, y: float) -> None:
        """Make the sheet large enough to show a point."""
        self.width, self.height = max(self.width, x), max(self.height, y)

    def wire(self, x1: float, y1: float, x2: float, y2: float, color: str = "", label: str = "") -> None:
        """Draw a line in the color that letters of IEC 60757 mean, with a label above its middle."""
        self.line((x1, y1), (x2, y2), PAINT.get(color.partition("/")[0], WIRE))
        if label:
            self.text((x1 + x2) / 2, y1 - 6, label, size=11, ink=FAINT)
        self.reach(max(x1, x2), max(y1, y2))

    def line(self, start: tuple[float, float], end: tuple[float, float], stroke: str, width: int = 2) -> None:
        """Draw a line that does not make the sheet larger."""
        self._mark("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], stroke=stroke, stroke_width=width)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: int = 13,
        anchor: str = "middle",
        ink: str = INK,
        bold: bool = False,
    ) -> None:
        """Write words. anchor: start, middle or end of them is at x."""
        weight = "600" if bold else None
        self._mark("text", words, x=x, y=y, font_size=size, text_anchor=anchor, fill=ink, font_weight=weight)
        half = 0.58 * size * len(words) / (1 if anchor == "start" else 2)
        self.reach(x + (half if anchor != "end" else 0), y + 4)

    def box(self, x: float, y: float, w: float, h: float, fill: str = PAPER) -> None:
        """Draw a box by its top left corner and size."""
        self._mark("rect", x=x, y=y, width=w, height=h, rx=3, fill=fill, stroke=INK, stroke_width=1.6)
        self.reach(x + w, y + h)

    def terminal(self, x: float, y: float, bold: bool = True) -> None:
        """Draw a terminal of a module."""
        self._mark("circle", cx=x, cy=y, r=5, fill=PAPER, stroke=INK, stroke_width=1.6 if bold else None)

    def dot(self, x: float, y: float, r: float) -> None:
        """Draw a splice or junction."""
        self._mark("circle", cx=x, cy=y, r=r, fill=INK)

    def plug(self, x: float, y: float, half: float) -> None:
        """Draw a mated contact: two arrow heads."""
        heads = " ".join(f"M{x + dx:g} {y - half:g} l{{0}} {{0}} l-{{0}} {{0}}" for dx in (-6, 1))
        self._mark("path", d=heads.format(f"{half:g}"), fill="none", stroke=INK, stroke_width=1.6)

    def target(self, x: float, y: float, w: float, h: float) -> None:
        """Add an invisible area, so that thin symbols are easy to click on."""
        self._mark("rect", x=x, y=y, width=w, height=h, fill="transparent")

    def part(self, id: str, title: str, inside: Sheet) -> None:
        """Add the marks of another sheet as one thing to click on."""
        marks = [svg.node("title", title), *inside.marks]
        self.marks.append(svg.node("g", marks, data_id=id, tabindex="0", role="button", aria_label=title))

    def svg(self, title: str) -> str:
        """Return the whole sheet as SVG text."""
        width, height = self.width + MARGIN, self.height + MARGIN
        paper = svg.node("rect", width=width, height=height, fill=PAPER)
        sheet = svg.node(
            "svg", [svg.node("title", title), paper, *self.marks],
            xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {width:g} {height:g}", width=width,
            height=height, font_family="system-ui, sans-serif", role="group", aria_label=title,
        )  # fmt: skip
        return str(svg.text_of(sheet))

    def _mark(self, tag: str, words: str = "", **attributes: float | str | None) -> None:
        self.marks.append(svg.node(tag, words, **attributes))
