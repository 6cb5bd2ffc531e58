"""Where this user's own files are: data that must last, and a cache that may be deleted at any time.

Source: on Linux the XDG Base Directory Specification (XDG_DATA_HOME, XDG_CACHE_HOME); elsewhere what
`platformdirs` gives for the system.
"""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_cache_path, user_data_path

from sim.vehicle.problems import Problem

NAME = "busbay"
OWNER_ONLY = 0o700  # names and marks are in it


def data_path() -> Path:
    """The folder of this user's own files, which may not exist yet."""
    return user_data_path(NAME, appauthor=False)


def data_folder() -> Path:
    """The folder of this user's own files; makes it, and raises `Problem` where that is not possible."""
    folder = data_path()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(OWNER_ONLY)
    except OSError as error:
        raise Problem(f"the data folder {folder} cannot be made: {error.strerror}") from None
    return folder


def cache_path() -> Path:
    """The folder of what can be computed again, which may not exist yet."""
    return user_cache_path(NAME, appauthor=False)
