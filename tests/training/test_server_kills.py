"""The server is killed at any moment while a class works: what a page has shown as done is never lost.

One kill by default; `BUSBAY_KILLS=50` makes it the long run.
"""

import os
import random
import signal
import threading
import time
from pathlib import Path

from websockets.exceptions import WebSocketException

from sim.training.records import RECORDS_VARIABLE, Records
from tests.benchmarks.class_load import Class
from tests.ui.browser import free_port, server

KILLS = int(os.environ.get("BUSBAY_KILLS", "1"))
STUDENTS = 4
LONGEST_LIFE_S = 2.5
WAITS = {"wait 1": "wait 1 s", "wait 10": "wait 10 s", "wait 60": "wait 60 s"}


class Student(threading.Thread):
    """Works until the server is gone. `sent`: every action; `shown`: how many the page has shown as done."""

    def __init__(self, group: Class, address: str, number: int, dice: random.Random) -> None:
        super().__init__()
        self.sent: list[str] = []
        self.shown = 0
        self.error = ""
        self.inside = threading.Event()
        self._group, self._address, self._number, self._dice = group, address, number, dice

    def run(self) -> None:
        try:
            with self._group.enter(self._address, self._number) as visitor:
                self.inside.set()
                while True:
                    kind = self._dice.choice(list(WAITS))
                    self.sent.append(WAITS[kind])
                    visitor.press(kind)
                    if visitor.exceptions:
                        self.error = visitor.exceptions[0]
                        return
                    self.shown += 1
        except (OSError, WebSocketException):
            pass  # the server is gone
        finally:
            self.inside.set()


def test_killed_while_a_class_works_nothing_shown_is_lost(url: str, tmp_path: Path) -> None:
    """After a kill each student's log holds all that a page had shown, and at most one line more."""
    records = Records(url)
    group = Class.of(records, STUDENTS, "02")
    works = [
        records.attempts.begin(records.assignments.of_class(1)[0], one.id).id
        for one in records.students.of_class(1)
    ]
    kept: list[list[str]] = [[] for _ in works]
    dice = random.Random(11)
    shown = 0
    for _ in range(KILLS):
        port = free_port()
        with server(port, **{RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(tmp_path)}) as process:
            students = [
                Student(group, f"http://127.0.0.1:{port}", number, random.Random(dice.random()))
                for number in range(STUDENTS)
            ]
            for student in students:
                student.start()
            students[0].inside.wait(60)
            time.sleep(dice.uniform(0.0, LONGEST_LIFE_S))
            os.kill(process.pid, signal.SIGKILL)
            for student in students:
                student.join()
        for place, (student, work) in enumerate(zip(students, works, strict=True)):
            attempt = records.attempts.resume(work).attempt
            assert "" == student.error
            done = len(attempt.log) - len(kept[place])
            assert kept[place] + student.sent[:done] == attempt.log
            assert student.shown <= done <= student.shown + 1
            kept[place] = attempt.log
            shown += student.shown
    assert shown >= KILLS
    records.close()
