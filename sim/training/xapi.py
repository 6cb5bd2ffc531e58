"""What was done, as statements of the Experience API (xAPI): who did what with which exercise, and how well.

Sources: xAPI 1.0.3, part two (data) and part three (communication), github.com/adlnet/xAPI-Spec; IEEE
9274.1.1-2023 (xAPI 2.0), which has the same statements. Verbs and kinds of activity are those of ADL's
vocabulary (registry of adlnet.gov).

Not modeled: attachments, signatures, and voiding: a mark that changes is told by another statement.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import NAMESPACE_URL, uuid5

VERSIONS = ("1.0.3", "2.0.0")  # of the header X-Experience-API-Version
VERBS = "http://adlnet.gov/expapi/verbs/"
KINDS = "http://adlnet.gov/expapi/activities/"
LANGUAGE = "en-US"
PLATFORM = "busbay"


@dataclass(frozen=True, slots=True)
class Deed:
    """What a statement is about. `home_page`: of the accounts, an address without a slash at its end.

    `account`: what the platform knows the student by; `worth`: 0 to 1; times are seconds since 1970 (UTC).
    """

    home_page: str
    account: str
    name: str
    class_id: int
    class_name: str
    assignment_id: int
    entry: str
    title: str
    practice: bool
    points: float
    attempt_id: int
    begun_s: float
    handed_in_s: float | None = None
    minutes: float = 0.0
    complete: bool = False
    worth: float = 0.0


def attempted(deed: Deed, statement_id: str) -> dict[str, Any]:
    """A student has begun an exercise."""
    return _statement(deed, statement_id, "attempted", deed.begun_s, None)


def completed(deed: Deed, statement_id: str) -> dict[str, Any]:
    """A student has handed in; how well is not told, for it may be an exam."""
    result = {"completion": True, "duration": duration(_taken_s(deed)), "extensions": _labor(deed)}
    return _statement(deed, statement_id, "completed", _end_s(deed), result)


def judged(deed: Deed, statement_id: str) -> dict[str, Any]:
    """How well it went: passed if cause, repair and proof are complete, else failed."""
    verb = "passed" if deed.complete else "failed"
    result = {"success": deed.complete, "completion": True, "score": score(deed.worth, deed.points)}
    return _statement(deed, statement_id, verb, _end_s(deed), result)


def scored(deed: Deed, statement_id: str, marked_s: float) -> dict[str, Any]:
    """The instructor has marked it otherwise."""
    return _statement(deed, statement_id, "scored", marked_s, {"score": score(deed.worth, deed.points)})


def score(worth: float, points: float) -> dict[str, float]:
    """A score of xAPI: `scaled` from -1 to 1, here from 0; `raw` between `min` and `max`, which differ."""
    scaled = round(min(max(worth, 0.0), 1.0), 4)
    if not points:
        return {"scaled": scaled}
    return {"scaled": scaled, "raw": round(scaled * points, 2), "min": 0.0, "max": points}


def duration(seconds: float) -> str:
    """A time span as ISO 8601 writes it, to a hundredth of a second (xAPI 1.0.3, part two, 4.6)."""
    hundredths = round(max(seconds, 0.0) * 100)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    told = f"{hours}H" if hours else ""
    told += f"{minutes}M" if minutes else ""
    return f"PT{told}{rest / 100:g}S"


def timestamp(time_s: float) -> str:
    """A time as RFC 3339 writes it, in UTC."""
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _statement(
    deed: Deed, statement_id: str, verb: str, time_s: float, result: dict[str, Any] | None
) -> dict[str, Any]:
    told: dict[str, Any] = {
        "id": statement_id,
        "actor": {
            "objectType": "Agent",
            "name": deed.name,
            "account": {"homePage": deed.home_page, "name": deed.account},
        },
        "verb": {"id": f"{VERBS}{verb}", "display": {LANGUAGE: verb}},
        "object": _exercise(deed),
        "context": _context(deed),
        "timestamp": timestamp(time_s),
    }
    return told | ({"result": result} if result else {})


def _exercise(deed: Deed) -> dict[str, Any]:
    name = deed.entry or f"assignment-{deed.assignment_id}"
    return {
        "objectType": "Activity",
        "id": f"{deed.home_page}/busbay/exercises/{name}",
        "definition": {
            "name": {LANGUAGE: deed.title},
            "type": f"{KINDS}{'simulation' if deed.practice else 'assessment'}",
        },
    }


def _context(deed: Deed) -> dict[str, Any]:
    """The attempt, as the same registration in all its statements, and the class."""
    group = f"{deed.home_page}/busbay/classes/{deed.class_id}"
    course = {"name": {LANGUAGE: deed.class_name}, "type": f"{KINDS}course"}
    return {
        "registration": str(uuid5(NAMESPACE_URL, f"{group}/attempts/{deed.attempt_id}")),
        "platform": PLATFORM,
        "language": LANGUAGE,
        "contextActivities": {"grouping": [{"objectType": "Activity", "id": group, "definition": course}]},
    }


def _labor(deed: Deed) -> dict[str, float]:
    return {f"{deed.home_page}/busbay/labor-minutes": round(deed.minutes, 1)}


def _end_s(deed: Deed) -> float:
    return deed.begun_s if deed.handed_in_s is None else deed.handed_in_s


def _taken_s(deed: Deed) -> float:
    return _end_s(deed) - deed.begun_s
