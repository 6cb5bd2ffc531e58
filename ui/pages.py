"""All pages, in the order of the navigation. Navigation and tests read them here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ui import bay, car_page, case_page, diagrams, welcome, what_if


@dataclass(frozen=True, slots=True)
class Page:
    """One page: its path in the address, its title, its icon (Material symbol), and what draws it."""

    path: str
    title: str
    icon: str
    show: Callable[[], None]


PAGES = (
    Page("welcome", "Welcome", ":material/door_open:", welcome.show),
    Page("bay", "Bay", ":material/car_repair:", bay.show),
    Page("diagrams", "Diagrams", ":material/schema:", diagrams.show),
    Page("what-if", "What if", ":material/alt_route:", what_if.show),
    Page("case", "Case", ":material/history_edu:", case_page.show),
    Page("car", "Car", ":material/description:", car_page.show),
)
