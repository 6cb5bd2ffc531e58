"""busbay: a simulated car's module network, for training in network fault isolation."""

from pathlib import Path


def scenarios_folder() -> Path:
    """The folder of the cars, exercises and cases that come with busbay.

    It stands beside this package in a clone and in an installed copy alike.
    """
    return Path(__file__).resolve().parent.parent / "scenarios"
