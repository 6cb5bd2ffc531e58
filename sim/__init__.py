"""busbay: a simulated car's module network, for training in network fault isolation."""

from pathlib import Path


def scenarios_folder() -> Path:
    """The folder of the cars, exercises and cases that come with busbay.

    It is beside this package in a clone and in an installed copy.
    """
    return Path(__file__).resolve().parent.parent / "scenarios"


def shipped_files(kind: str) -> dict[str, Path]:
    """The `vehicles`, `exercises` or `cases` that come with busbay, by file name without ending, in order."""
    return {path.stem: path for path in sorted((scenarios_folder() / kind).glob("*.yaml"))}
