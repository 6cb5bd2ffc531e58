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
    curriculum,
    desk,
    diagrams,
    door,
    exercise,
    handbook,
    join,
    lab,
    pairs,
    quick_car,
    replay,
    results,
    suspects,
    welcome,
    what_if,
)

FREE: tuple[Role, ...] = ("visitor", "student", "instructor")
EVERYONE: tuple[Role, ...] = (*FREE, "at work")


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its path in the address, its title, its icon (Material symbol), what draws it, its roles.

    `menu`: the menu in which it is listed, where a role has several pages of that menu; the others are
    entries of their own. `aside`: roles for which it is not listed but opened from another page.
    """

    path: str
    title: str
    icon: str
    show: Callable[[], None]
    roles: tuple[Role, ...] = FREE
    aside: tuple[Role, ...] = ()
    menu: str = ""


def _of_the_lab(path: str, icon: str, show: Callable[[], None]) -> Page:
    return Page(path, lab.CARDS[path].title, f":material/{icon}:", show, menu="Lab")


def _of_the_instructor(path: str, title: str, icon: str, show: Callable[[], None]) -> Page:
    return Page(path, title, f":material/{icon}:", show, ("instructor",), menu="Teach")


PAGES = (
    Page("exercise", "Exercise", ":material/car_repair:", exercise.show, ("at work",)),
    Page("desk", "My jobs", ":material/inbox:", desk.show, ("student", "at work")),
    Page("welcome", "Start", ":material/door_open:", welcome.show),
    Page("bay", "Bay", ":material/car_repair:", bay.show),
    Page("diagrams", "Diagrams", ":material/schema:", diagrams.show, (*FREE, "at work"), FREE),
    Page("join", "Learn", ":material/school:", join.show, ("visitor", "instructor"), ("instructor",)),
    Page("lab", "All of the lab", ":material/science:", lab.show, menu="Lab"),
    _of_the_lab("what-if", "alt_route", what_if.show),
    _of_the_lab("instead", "fork_right", branch.show),
    _of_the_lab("suspects", "person_search", suspects.show),
    _of_the_lab("pairs", "join_inner", pairs.show),
    _of_the_lab("case", "history_edu", case.show),
    _of_the_lab("car", "description", car.show),
    _of_the_lab("describe", "table_edit", quick_car.show),
    _of_the_instructor("curriculum", "Curriculum", "route", curriculum.show),
    _of_the_instructor("classes", "Classes", "groups", classes.show),
    _of_the_instructor("board", "Board", "table_chart", board.show),
    _of_the_instructor("results", "Results", "grid_on", results.show),
    _of_the_instructor("replay", "Replay", "slideshow", replay.show),
    _of_the_instructor("author", "Author", "edit_note", author.show),
    Page("instructor", "Teach", ":material/badge:", door.show, ("visitor", "instructor"), menu="Teach"),
    Page("handbook", "Handbook", ":material/menu_book:", handbook.show, EVERYONE, EVERYONE),
)


def pages_of(role: Role) -> tuple[Page, ...]:
    """The pages of a role; the first is where it lands."""
    return tuple(page for page in PAGES if role in page.roles)


def menus_of(role: Role) -> dict[str, tuple[Page, ...]]:
    """The pages of a role by menu, for the row above all pages; under "" those that are entries of their own.

    A menu of one page would cost a click for nothing. Pages that are not listed are under "".
    """
    pages = pages_of(role)
    listed = [page.menu for page in pages if role not in page.aside]
    menus = [menu for menu in dict.fromkeys(listed) if menu and listed.count(menu) > 1]
    alone = tuple(page for page in pages if page.menu not in menus)
    return {"": alone, **{menu: tuple(page for page in pages if page.menu == menu) for menu in menus}}
