"""What a step of a log has shown, in a few words."""

from __future__ import annotations

from sim.training.jobs import WorkStep
from sim.vehicle.words import counted


def step_words(step: WorkStep) -> str:
    """What a step has shown, in a few words."""
    if step.vain:
        return f"in vain, {step.vain}"
    if step.display:
        return step.display
    if step.report is not None:
        report = step.report
        if not report.power:
            return "the tester has no power from the diagnostic connector"
        answering = len(report.modules) - len(report.silent)
        codes = counted(len(report.codes), "code")
        return f"{answering} of {len(report.modules)} modules answer, {codes}"
    asked = [f"{name} {word}" for name, word in step.sight.asked if word != "done"]
    if step.sight.asked and step.sight.notes:
        return step.sight.notes[0]
    if step.sight.asked:
        return ", ".join(asked) or "done"
    return ""
