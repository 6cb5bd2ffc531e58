"""First jobs: complaints about shipped cars. The customers are invented, and so are their cars."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FirstJob:
    """A car with a complaint: what the customer says, and what is the matter (`given` edits)."""

    title: str
    complaint: str
    car_name: str
    given: tuple[str, ...]


FIRST_JOBS = (
    FirstJob(
        "The bakery's car",
        "It cranks for ever and never starts. It stood beside a stove pipe where mice live.",
        "teaching-car.yaml",
        ("pull F14",),
    ),
    FirstJob(
        "One dark panel",
        "After the boot was flooded the cluster says nothing, and the tester is full of codes.",
        "six-modules.yaml",
        ("pull F5",),
    ),
    FirstJob(
        "The minibus without its trailer socket",
        "Since the tow bar was taken off it does not crank and cannot be switched off. "
        "Somebody has worked on it before.",
        "shuttle-minibus.yaml",
        ("theory ECM waits for TRM", "unplug TRM.C1", "pull F11"),
    ),
)
