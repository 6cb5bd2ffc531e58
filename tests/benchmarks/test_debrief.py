"""A debrief of a log of sixty checks, with two hundred suspects, is there in under three seconds."""

import random
import time

from sim.training.attempt import Attempt
from sim.training.debrief import debrief
from sim.training.debrief_page import as_html, as_markdown
from sim.training.exercise import find_exercise
from tests.training.hand_made import HandMade, check

LIMIT_S = 3.0
SUSPECTS, CHECKS = 200, 200
LOOKS = ("look {}", "measure volts {}.2 to G1", "scan")


def test_a_debrief_of_sixty_checks_takes_less_than_three_seconds() -> None:
    """Sixty checks and two hundred suspects are debriefed within three seconds."""
    exercise = find_exercise("02")
    fuses = list(exercise.whole_car.built.fuses)
    log = ["press start", "wait 5 s"]
    log += [LOOKS[k % 3].format(fuses[k % len(fuses)]) for k in range(60)]
    log += ["press start", "fit F2", "press start", "wait 5 s", "clear", "wait 10 s", "scan"]
    attempt = Attempt.replay(exercise, log)
    attempt.hand_in(exercise.arrives)
    dice = random.Random(1)
    # every tenth check tells one suspect in five apart, so that many are left for long
    shows = tuple(
        "".join("ab"[k > 0 and place % 10 == 2 and dice.random() < 0.2] for k in range(SUSPECTS))
        for place in range(len(log))
    )
    checks = tuple(check(f"look F{k}", 2.0 + k % 7) for k in range(CHECKS))
    told = tuple("".join(dice.choice("abc") for _ in range(SUSPECTS)) for _ in checks)
    model = HandMade((1.0,) * SUSPECTS, shows, checks, told)
    begun_s = time.process_time()
    result = debrief(attempt, model)
    pages = as_html(result), as_markdown(result)
    took_s = time.process_time() - begun_s
    print(f"debrief of {len(log)} steps, {SUSPECTS} suspects, {CHECKS} checks: {took_s:.2f} s")
    assert 60 <= sum(one.verdict != "" for one in result.judged)
    assert all(len(page) > 5000 for page in pages)
    assert took_s < LIMIT_S
