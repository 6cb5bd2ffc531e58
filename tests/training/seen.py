"""All that the pages show of an attempt, as text."""

from sim.training.attempt import Attempt
from ui.state.visible import visible_to_student


def seen(attempt: Attempt) -> str:
    """What a student may see of an attempt: the car, every step, the reports and what was written or told."""
    bench, exercise = attempt.bench, attempt.exercise
    return "\n".join(
        repr(one)
        for one in (
            exercise.work_order,
            exercise.goal,
            exercise.safety,
            visible_to_student(attempt),
            attempt.steps,
            bench.reports,
            bench.last_report,
            attempt.minutes,
            attempt.cost,
            tuple(exercise.hints[number - 1] for number in attempt.known_hints),
            attempt.notes,
            attempt.result,
        )
    )
