"""What all tests share."""

import shutil

import pytest
from hypothesis import settings

# Times on a shared machine say nothing about the code; a test that needs a limit states its own.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the browser that browser tests drive."""
    return _program("chromium")


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Path of the circuit simulator that wiring is compared with."""
    return _program("ngspice")


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"the program {name} is not installed on this machine")
    return path
