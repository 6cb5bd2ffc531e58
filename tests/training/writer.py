"""Lets one writer after the other live: each writes lines for several students and says which are safe.

Writers are forked from a process that has loaded everything and opened nothing, so that a new one is there in
no time. `writer PID` begins one, `gone` ends it, and between them stand lines of attempt and number.
"""

import os
import sys
import threading

from sqlalchemy import func, select

from sim.training.records import Records
from sim.training.schema import actions

SAYING = threading.Lock()


def write(records: Records, attempt: int) -> None:
    with records.engine.connect() as connection:
        count = select(func.count()).where(actions.c.attempt_id == attempt)
        number = connection.execute(count).scalar_one()
    while True:
        number += 1
        records.attempts.add_action(attempt, number, "wait 1 s", 0.1, number - 1)
        with SAYING:
            print(attempt, number, flush=True)


def live(url: str, attempts: list[int]) -> None:
    records = Records(url)
    print("writer", os.getpid(), flush=True)
    threads = [threading.Thread(target=write, args=(records, one)) for one in attempts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


if __name__ == "__main__":
    for _ in range(int(sys.argv[2])):
        child = os.fork()
        if child == 0:
            live(sys.argv[1], [int(one) for one in sys.argv[3:]])
        os.waitpid(child, 0)
        print("gone", flush=True)
