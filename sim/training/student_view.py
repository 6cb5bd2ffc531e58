"""Everything about an attempt that a student may see, as plain data: before hand-in nothing hidden."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from sim.instruments.scan import rows
from sim.instruments.seat import seat_of
from sim.training.attempt import Attempt
from sim.training.hand_in import HandIn
from sim.training.work_step import WorkStep


def student_view(attempt: Attempt) -> dict[str, Any]:
    """An attempt as a student may see it; keys are stable, values are JSON."""
    exercise = attempt.exercise
    return {
        "work_order": exercise.work_order.model_dump(),
        "exercise": exercise.exercise,
        "topic": exercise.topic,
        "level": exercise.level,
        "goal": exercise.goal,
        "car": exercise.whole_car.title,
        "tools": list(exercise.tools),
        "target_minutes": exercise.minutes,
        "proof": list(exercise.proof),
        "safety": list(exercise.safety),
        "seat": asdict(seat_of(attempt.bench)),
        "off": sorted(attempt.found.off),
        "out": sorted(attempt.found.out),
        "steps": [_step_view(step) for step in attempt.steps],
        "reports": {name: rows(report) for name, report in attempt.bench.reports.items()},
        "last_report": rows(attempt.bench.last_report) if attempt.bench.last_report else [],
        "minutes": attempt.minutes,
        "cost": attempt.cost,
        "hints": list(exercise.hints[: attempt.hints_taken]),
        "hints_left": len(exercise.hints) - attempt.hints_taken,
        "notes": list(attempt.notes),
        "result": None if attempt.result is None else _result_view(attempt.result),
    }


def _step_view(step: WorkStep) -> dict[str, Any]:
    return {
        "action": step.action,
        "time_s": step.sight.time_s,
        "minutes": step.minutes,
        "cost": step.cost,
        "shop_min": step.labor_min,
        "vain": step.vain,
        "seen": {**step.sight.seat(), **step.sight.found()},
        "display": step.display,
        "notes": list(step.notes),
        "cautions": list(step.cautions),
        "dangers": list(step.dangers),
        "report": rows(step.report) if step.report else [],
    }


def _result_view(result: HandIn) -> dict[str, Any]:
    return asdict(result) | {
        "proven": result.proven,
        "complete": result.complete,
        "credit": result.credit,
    }
