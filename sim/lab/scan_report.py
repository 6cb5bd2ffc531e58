"""The text of a scan report in any layout: what its lines say, and the lines that say nothing we know.

    report = read_report(text, car)
    for line in report.unread:
        print(line.number, line.text)
    evidence = report.evidence()

A line may hold module, code, text and state in any order, divided by commas, semicolons, tabs, bars or in
aligned columns; or a module has a line of its own and its codes follow. Headings and states are read in four
languages (`sim.lab.report_words`); codes with or without failure type (`U0101`, `U0101-87`, `U0101:87`,
`U010187`), the status byte of ISO 14229-1 in hexadecimal (bit 0: the test fails now).

No layout is read by the name of a program: what a cell is follows from what is in it, from the heading of its
column, and from the lines around it.

Not modeled: freeze frames; codes of SAE J1939; reports as pictures.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Final, Literal

from sim.lab.case import CodeSeen, Evidence
from sim.lab.report_head import date_in, odometer_in
from sim.lab.report_names import ModuleNames
from sim.lab.report_words import (
    NO_ANSWER,
    NO_CODES,
    NOTES,
    OF_MODULE,
    Field,
    field_of,
    plain,
    says,
    state_of,
)
from sim.vehicle.car import Car
from sim.vehicle.words import counted

Kind = Literal["code", "module", "silent", "no codes", "heading", "detail", "note", "empty", "unread"]
ABOUT_A_MODULE: Final = ("code", "module", "silent", "no codes")
MOST_LINES = 5000
LONGEST_SHOWN = 120  # characters of a line
CODE: Final = re.compile(
    r"(?<![0-9A-Za-z])([PCBU][0-3][0-9A-F]{3})(?:[-:.]?([0-9A-F]{2}))?(?:h)?(?![0-9A-Za-z])", re.IGNORECASE
)
BYTE: Final = re.compile(r"(?:0x|\$)?([0-9A-F]{2})h?", re.IGNORECASE)
STATUS_WORD: Final = re.compile(r"(?:status|statut|estado|etat)\s*[:=]?\s*(?:0x|\$)?([0-9a-f]{2})h?(?!\w)")
FAILURE_WORD: Final = re.compile(
    r"(?:failure type|ftb|fehlerart|type de defaut|tipo de fallo)\s*[:=]?\s*(?:0x)?([0-9a-f]{2})(?!\w)"
)
MARKED_BYTE: Final = re.compile(r"[\[(](?:0x|\$)?([0-9a-f]{2})h?[\])]|(?:0x|\$)([0-9a-f]{2})(?!\w)")
DETAIL: Final = re.compile(r"([^:=]{1,30}?)\s*[:=]\s*(.+)")
RULE: Final = re.compile(r"[\s\-=_*~.#+|]*")
FAILS_NOW = 0x01  # bit 0 of the status byte, ISO 14229-1


@dataclass(frozen=True, slots=True)
class ReportLine:
    """One line: its number from 1, its text, what it was taken for, the module and the codes that it names.

    `named`: the module as the line writes it, where the car has none of that name.
    """

    number: int
    text: str
    kind: Kind
    module: str = ""
    codes: tuple[CodeSeen, ...] = ()
    named: str = ""

    @property
    def told(self) -> str:
        """The line as it is shown where it was not understood, with the reason if there is one."""
        why = f" (the car has no module '{self.named}')" if self.named else ""
        return f"{self.text.strip()[:LONGEST_SHOWN]}{why}"


@dataclass(frozen=True, slots=True)
class ScanReport:
    """All lines of a report."""

    lines: tuple[ReportLine, ...]

    @property
    def unread(self) -> tuple[ReportLine, ...]:
        """The lines that were not understood, and those whose module the car has not."""
        return tuple(one for one in self.lines if one.kind == "unread")

    @property
    def said(self) -> tuple[ReportLine, ...]:
        """The lines that are not empty."""
        return tuple(one for one in self.lines if one.kind != "empty")

    @property
    def codes(self) -> tuple[CodeSeen, ...]:
        """All codes, each once."""
        return tuple(dict.fromkeys(code for one in self.lines for code in one.codes if one.kind == "code"))

    @property
    def date(self) -> str:
        """The date in its head, as it is written; "" without one."""
        return date_in(self._head())

    @property
    def odometer(self) -> str:
        """The odometer reading in its head; "" without one."""
        return odometer_in(self._head())

    def _head(self) -> list[str]:
        """The lines before the first that is about a module."""
        return [one.text for one in takewhile(lambda one: one.kind not in ABOUT_A_MODULE, self.lines)]

    def evidence(self) -> Evidence:
        """What the report shows, as what was seen in the step of a case."""
        holders = [one.module for one in self.codes]
        silent = dict.fromkeys(one.module for one in self.lines if one.kind == "silent")
        clean = dict.fromkeys(one.module for one in self.lines if one.kind == "no codes")
        answers = dict.fromkeys(one for one in (*holders, *clean) if one not in silent)
        none = [CodeSeen(name) for name in clean if name not in holders and name not in silent]
        return Evidence(answers=tuple(answers), silent=tuple(silent), codes=self.codes, no_codes=tuple(none))

    @property
    def words(self) -> str:
        """How much was understood."""
        unread, said = len(self.unread), len(self.said)
        silent = len([one for one in self.lines if one.kind == "silent"])
        rest = "" if not unread else f"; not understood: {unread}"
        head = [("Date", self.date), ("odometer", self.odometer)]
        of_the_head = ", ".join(f"{what} {one}" for what, one in head if one)
        return (
            f"{said - unread} of {said} lines understood{rest}. {counted(len(self.codes), 'code')} in "
            f"{counted(len({one.module for one in self.codes}), 'module')}; {silent} without an answer."
            f"{f' {of_the_head[:1].upper()}{of_the_head[1:]}.' if of_the_head else ''}"
        )


def read_report(text: str, car: Car) -> ScanReport:
    """Read a report on this car; nothing is refused, what is not understood is told line by line."""
    return ScanReport(tuple(_Reader(text.splitlines()[:MOST_LINES], ModuleNames(car)).lines()))


class _Reader:
    """Goes through the lines once; remembers the columns of the table and the module whose codes follow."""

    def __init__(self, texts: Sequence[str], names: ModuleNames) -> None:
        self.texts = texts
        self.names = names
        self.between = _delimiter(texts)
        self.columns: tuple[Field | None, ...] = ()
        self.module, self.named = "", ""
        self.usual = (0, 0)  # the place of the cell that names the module, and the cells of such a line
        self.later: list[ReportLine] = []

    def lines(self) -> Iterator[ReportLine]:
        """The lines one by one, each once the lines after it can add nothing to it."""
        last: ReportLine | None = None
        for number, text in enumerate(self.texts, start=1):
            line = replace(self._line(text), number=number, text=text)
            if line.kind == "detail" and last is not None:
                last = replace(last, codes=tuple(_with_state(code, text) for code in last.codes))
                self.later.append(line)
                continue
            yield from self._finished(last)
            last = line if line.kind == "code" else None
            if last is None:
                yield line
        yield from self._finished(last)

    def _finished(self, last: ReportLine | None) -> Iterator[ReportLine]:
        """A line with codes, and the lines that told more of them."""
        if last is not None:
            yield last
            yield from self.later
            self.later.clear()

    def _line(self, text: str) -> ReportLine:
        if not text.strip():
            return _line("empty")
        if RULE.fullmatch(text):
            return _line("note")
        cells = _cells(text, self.between)
        found = list(CODE.finditer(text))
        if found:
            return self._codes(text, cells, found)
        if self._is_heading(cells):
            self.columns = tuple(field_of(plain(cell)) for cell in cells)
            return _line("heading")
        return self._without_code(text, cells)

    def _is_heading(self, cells: Sequence[str]) -> bool:
        known = [field_of(plain(cell)) for cell in cells if cell]
        return len(known) > 1 and len([one for one in known if one]) > len(known) / 2

    # -- lines with codes ----------------------------------------------------------------------------------

    def _codes(self, text: str, cells: Sequence[str], found: Sequence[re.Match[str]]) -> ReportLine:
        module, named = self._module_of(text, cells, found)
        if module or named:
            self.module, self.named = module, named
        if not self.module:
            return _line("unread", named=self.named)
        failure, status, rest = self._bytes(cells, found)
        state = state_of(plain(rest)) or _state_of_byte(status)
        return _line(
            "code",
            self.module,
            tuple(CodeSeen(self.module, _code(one, failure), state) for one in found),
        )

    def _module_of(self, text: str, cells: Sequence[str], found: Sequence[re.Match[str]]) -> tuple[str, str]:
        """The module of a line with a code, and the name of one that the car has not."""
        if "module" in self.columns and len(cells) > 1:
            place = self.columns.index("module")
            cell = cells[place] if place < len(cells) else ""
            return (name := self.names.meant(cell)), "" if name else cell
        if of_module := OF_MODULE.match(plain(text[: found[0].start()])):
            told = of_module[1].strip(" -,;|")
            return (name := self.names.meant(told) or self.names.at_begin(told)[0]), "" if name else told
        for place, cell in enumerate(cells):
            if not CODE.search(cell) and (name := self.names.meant(cell)):
                self.usual = (place, len(cells))
                return name, ""
        if unknown := self._where_a_module_was(cells):
            return "", unknown
        before = re.sub(r"^[\W\d]+", "", text[: found[0].start()]).strip(" \t-–:;,|([")
        name = self.names.meant(before) or self.names.at_begin(before)[0]
        if name or (before and not self.module and len(cells) == 1):
            return name, "" if name else before
        after = text[found[-1].end() :].strip(" \t-–:;,|)]")
        return self.names.at_begin(after)[0] or ("" if self.module else self.names.at_end(after)), ""

    def _where_a_module_was(self, cells: Sequence[str]) -> str:
        """What a cell says in which the lines before named their module; "" where it is empty."""
        place, count = self.usual
        cell = cells[place] if len(cells) == count > 1 else ""
        return "" if CODE.search(cell) else cell

    def _bytes(self, cells: Sequence[str], found: Sequence[re.Match[str]]) -> tuple[str, str, str]:
        """Failure type and status byte in hexadecimal, where cells have them, and the cells with words."""
        failure, status, words = "", "", []
        loose: list[str] = []
        for place, cell in enumerate(cells):
            field = self.columns[place] if place < len(self.columns) else None
            byte = BYTE.fullmatch(cell.strip(" []()"))
            if field == "text" and len(cells) > 2:
                continue
            if byte and field == "failure type":
                failure = byte[1]
            elif byte and field in ("status", "state"):
                status = byte[1]
            elif byte and field != "other":
                loose.append(byte[1])
            else:
                words.append(CODE.sub(" ", cell))
        rest = plain(" ; ".join(words))
        if told := FAILURE_WORD.search(rest):
            failure = told[1]
        if told := STATUS_WORD.search(rest) or MARKED_BYTE.search(rest):
            status = next(filter(None, told.groups()))
        if len(loose) > 1 and not failure and not found[0][2]:
            failure = loose.pop(0)
        if loose and not status:
            status = loose[-1]
        return failure, status, rest

    # -- lines without -------------------------------------------------------------------------------------

    def _without_code(self, text: str, cells: Sequence[str]) -> ReportLine:
        bare = plain(text)
        if (detail := DETAIL.match(bare)) and field_of(detail[1]) not in (None, "module"):
            return _line("detail")
        module, named = self._named_in(text, cells)
        if module or named:
            self.module, self.named = module, named
        elif says(NO_ANSWER, bare) or says(NO_CODES, bare):
            module = self.module if text[:1].isspace() else ""
        if named:
            return _line("unread", named=named)
        if module and says(NO_ANSWER, bare):
            return _line("silent", module)
        if module and says(NO_CODES, bare):
            return _line("no codes", module)
        if module:
            return _line("module", module)
        return _line("note" if _is_note(bare) or date_in([text]) or odometer_in([text]) else "unread")

    def _named_in(self, text: str, cells: Sequence[str]) -> tuple[str, str]:
        if of_module := OF_MODULE.match(plain(text).lstrip("[*#- ")):
            told = of_module[1].strip(" ]*#")
            return (name := self.names.meant(told) or self.names.at_begin(told)[0]), "" if name else told
        for cell in cells:
            if name := self.names.meant(cell.strip(" []*#:=-")):
                return name, ""
        bare = re.sub(r"^[\W\d_]+", "", text)
        name, rest = self.names.at_begin(re.sub(r"[:\[\]()]|\s[-–—]\s", " ", bare))
        is_short = len(rest.split()) <= 4 or says(NO_ANSWER, plain(rest)) or says(NO_CODES, plain(rest))
        return (name if is_short else ""), ""


def _line(kind: Kind, module: str = "", codes: tuple[CodeSeen, ...] = (), named: str = "") -> ReportLine:
    return ReportLine(0, "", kind, module, codes, named)


def _with_state(code: CodeSeen, text: str) -> CodeSeen:
    """A code with what a line of its own says of its state."""
    detail = DETAIL.match(plain(text))
    if code.state or detail is None or field_of(detail[1]) not in ("state", "status"):
        return code
    byte = BYTE.fullmatch(detail[2])
    return replace(code, state=state_of(detail[2]) or _state_of_byte(byte[1] if byte else ""))


def _state_of_byte(status: str) -> Literal["", "present", "stored"]:
    """What a status byte in hexadecimal says; nothing if there is none."""
    if not status:
        return ""
    return "present" if int(status, 16) & FAILS_NOW else "stored"


def _is_note(bare: str) -> bool:
    head = re.split(r"[:;|\t,=]|\s{2,}", bare.lstrip("#*-= "), maxsplit=1)[0].strip()
    first = " ".join(head.split()[:3])
    words = head.split()
    return first in NOTES or (bool(words) and (words[0] in NOTES or head in NOTES))


def _code(match: re.Match[str], failure: str) -> str:
    """A code with its failure type; 00 says nothing more and is left out."""
    kind = (match[2] or failure).upper()
    return f"{match[1].upper()}-{kind}" if kind and kind != "00" else match[1].upper()


def _delimiter(texts: Sequence[str]) -> str:
    """What divides the cells: the sign that most lines with a code have; "" for wide spaces."""
    coded = [text for text in texts if CODE.search(text)]
    for sign in ("\t", "|", ";"):
        if sum(sign in text for text in coded) > len(coded) / 2:
            return sign
    commas = Counter(len(next(csv.reader([text]))) for text in coded)
    if commas and (common := commas.most_common(1)[0])[0] > 2 and common[1] > len(coded) / 2:
        return ","
    return "," if coded and sum(text.count(",") > 1 for text in coded) > len(coded) / 2 else ""


def _cells(text: str, between: str) -> list[str]:
    if not between:
        return [cell.strip() for cell in re.split(r"\s{2,}|\t", text.strip())]
    if between == "|":
        text = text.strip().strip("|")
    return [cell.strip() for cell in next(csv.reader([text], delimiter=between, skipinitialspace=True), [])]
