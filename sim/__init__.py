"""busbay: a simulated car's module network, for training in network fault isolation."""

from pathlib import Path


def scenarios_folder() -> Path:
    """The folder of the cars, exercises and cases that come with busbay.

    It is beside this package in a clone and in an installed copy.
    """
    return Path(__file__).resolve().parent.parent / "scenarios"
