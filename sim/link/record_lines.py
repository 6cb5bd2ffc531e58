"""Lines of a log as text, many at a time: the words are python-can's, the times are worked out in one go.

For a message whose data stay as they are only the time differs from line to line. So python-can writes one
line of each kind, and that goes out again with other times in front of it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import can
import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]  # ns
Characters = NDArray[np.uint8]  # one row for each line; zeros are nothing

NS_PER_S = 1_000_000_000
DECIMALS = 6  # of a second, in both formats
NO_CHARACTER = b"\0"


class CandumpLines:
    """The format of `candump -L`: "(1.234567) bus 7E0#0102 R"."""

    lead, tail = "(", ")"
    writer_of = can.CanutilsLogWriter

    def begin(self, writer: Any, first: can.Message) -> int:
        """Write what comes before all lines; the time in ns from which times count."""
        return 0


class AscLines:
    """The format .asc: " 1.234567 1  7E0  Rx  d 2 01 02", times counted from the first frame."""

    lead, tail = " ", ""
    writer_of = can.ASCWriter

    def begin(self, writer: Any, first: can.Message) -> int:
        """Write what comes before all lines; the time in ns from which times count."""
        header = io.StringIO()
        sample = can.ASCWriter(header)
        before = len(header.getvalue())
        sample.on_message_received(first)
        writer.file.write("".join(header.getvalue()[before:].splitlines(keepends=True)[:-1]))
        return round(first.timestamp * NS_PER_S)


LineFormat = CandumpLines | AscLines


class LineWords:
    """Lines as python-can writes them, without their times."""

    def __init__(self, format: LineFormat) -> None:
        self._file = io.StringIO()
        self._writer = format.writer_of(self._file)
        self._time = f"{format.lead}{0:.{DECIMALS}f}{format.tail}"

    def of(self, message: can.Message) -> bytes:
        """The line of a message at time 0."""
        self._file.seek(0)
        self._file.truncate()
        self._writer.on_message_received(message)
        line = self._file.getvalue().splitlines(keepends=True)[-1]
        assert line.startswith(self._time), f"python-can writes {line!r}"
        return line[len(self._time) :].encode()


def lines(format: LineFormat, ends_ns: Times, from_ns: int, words: Sequence[bytes], which: Any) -> str:
    """Lines with these times, in ns; `which` of the words each has, shape (lines,)."""
    times = _time_texts(format, ends_ns, from_ns)
    table = np.array(words)
    rows = np.empty(len(ends_ns), [("time", f"S{times.shape[1]}"), ("words", table.dtype)])
    rows["time"] = times.view(f"S{times.shape[1]}")[:, 0]
    rows["words"] = table[which]
    return rows.tobytes().translate(None, NO_CHARACTER).decode()


def _time_texts(format: LineFormat, ends_ns: Times, from_ns: int) -> Characters:
    """Seconds with six decimals, as Python would write the difference of two floating-point times."""
    micro_s = (ends_ns - from_ns + 500) // 1000
    halves = np.flatnonzero((ends_ns - from_ns) % 1000 == 500)
    micro_s[halves] = _each(lambda ns: _in_micro_s(ns, from_ns), ends_ns[halves])
    digits = max(DECIMALS + 1, len(str(int(micro_s.max(initial=0)))))
    texts = np.zeros((len(ends_ns), len(format.lead) + digits + 1 + len(format.tail)), np.uint8)
    texts[:, : len(format.lead)] = np.frombuffer(format.lead.encode(), np.uint8)
    for place in range(digits):
        power = digits - 1 - place
        column = len(format.lead) + place + (power < DECIMALS)
        digit = (micro_s // 10**power % 10 + ord("0")).astype(np.uint8)
        texts[:, column] = digit if power <= DECIMALS else np.where(micro_s >= 10**power, digit, 0)
    texts[:, len(format.lead) + digits - DECIMALS] = ord(".")
    texts[:, texts.shape[1] - len(format.tail) :] = np.frombuffer(format.tail.encode(), np.uint8)
    return texts


def _in_micro_s(end_ns: int, from_ns: int) -> int:
    """Half a microsecond is rounded as the nearest floating-point number falls."""
    return int(f"{end_ns / NS_PER_S - from_ns / NS_PER_S:.{DECIMALS}f}".replace(".", ""))


def _each(work: Callable[[int], int], values: Times) -> Times:
    return np.array([work(int(value)) for value in values], np.int64)
