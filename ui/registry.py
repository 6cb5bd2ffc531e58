"""All pages, in the order of the navigation, with the roles that have them; navigation and tests read them.

What a role may not see is not in its registry, so no address leads there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ui.state.classroom import Role
from ui.views import (
    author,
    bay,
    board,
    branch,
    car,
    case,
    classes,
    desk,
    diagrams,
    door,
    exercise,
    join,
    pairs,
    quick_car,
    replay,
    suspects,
    welcome,
    what_if,
)

FREE: tuple[Role, ...] = ("visitor", "student", "instructor")


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its path in the address, its title, its icon (Material symbol), what draws it, its roles.

    `aside`: roles for which it is not in the row of pages, which is full, but opened from another page.
    """

    path: str
    title: str
    icon: str
    show: Callable[[], None]
    roles: tuple[Role, ...] = FREE
    aside: tuple[Role, ...] = ()


PAGES = (
    Page("exercise", "Exercise", ":material/car_repair:", exercise.show, ("at work",)),
    Page("desk", "Desk", ":material/inbox:", desk.show, ("student", "at work")),
    Page("welcome", "Welcome", ":material/door_open:", welcome.show),
    Page("join", "Join a class", ":material/login:", join.show, ("visitor", "instructor"), ("instructor",)),
    Page("bay", "Bay", ":material/car_repair:", bay.show),
    Page("diagrams", "Diagrams", ":material/schema:", diagrams.show, (*FREE, "at work")),
    Page("what-if", "What if", ":material/alt_route:", what_if.show),
    Page("instead", "Instead", ":material/fork_right:", branch.show),
    Page("suspects", "Suspects", ":material/person_search:", suspects.show),
    Page("pairs", "Two faults", ":material/join_inner:", pairs.show),
    Page("case", "Case", ":material/history_edu:", case.show),
    Page("car", "Car", ":material/description:", car.show),
    Page("describe", "Describe a car", ":material/table_edit:", quick_car.show),
    Page("classes", "Classes", ":material/groups:", classes.show, ("instructor",)),
    Page("board", "Board", ":material/table_chart:", board.show, ("instructor",)),
    Page("replay", "Replay", ":material/slideshow:", replay.show, ("instructor",)),
    Page("author", "Write", ":material/edit_note:", author.show, ("instructor",)),
    Page("instructor", "Instructor", ":material/badge:", door.show, ("visitor", "instructor")),
)


def pages_of(role: Role) -> tuple[Page, ...]:
    """The pages of a role; the first is where it lands."""
    return tuple(page for page in PAGES if role in page.roles)
