"""The front end's tests keep their classes in a folder of their own."""

import os

import pytest

from sim.training.records import RECORDS_VARIABLE


@pytest.fixture(scope="session", autouse=True)
def records_url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The URL of the records that a front end opens in these tests."""
    url = f"sqlite:///{tmp_path_factory.mktemp('records')}/classes.sqlite"
    os.environ[RECORDS_VARIABLE] = url
    return url
