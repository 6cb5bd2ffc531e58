"""The scan: reports read through the diagnostic connector, saved, compared.

The tester itself is in `sim.bench.tester`; here are its reports as tables.
"""

from __future__ import annotations

from sim.bench.tester import Difference, ModuleReport, Report, difference

__all__ = ["Difference", "ModuleReport", "Report", "difference", "rows"]


def rows(report: Report) -> list[dict[str, str]]:
    """One row per code, and one per module without any: what a printed report shows."""
    table = []
    for entry in report.modules:
        if not entry.answers:
            table.append(_row(entry.module, "no answer", "", "", ""))
        elif not entry.codes:
            table.append(_row(entry.module, "answers", "", entry.note or "no codes", ""))
        for code in entry.codes:
            state = "present" if code.failing_now else "stored"
            table.append(
                _row(entry.module, "answers", code.code, code.description, f"{state} ({code.status:02X})")
            )
    return table


def _row(module: str, answer: str, code: str, text: str, status: str) -> dict[str, str]:
    return {"module": module, "answer": answer, "code": code, "text": text, "status": status}
