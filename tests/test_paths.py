"""Where a user's own files are kept. Source: XDG Base Directory Specification 0.8, its variables."""

import sys
from pathlib import Path

import pytest

from sim.paths import cache_path, data_folder, data_path
from sim.vehicle.problems import Problem

ON_LINUX = pytest.mark.skipif(sys.platform != "linux", reason="the specification is of Linux desktops")


@ON_LINUX
def test_the_folders_that_the_environment_names_are_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG_DATA_HOME and XDG_CACHE_HOME name the base folders."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert tmp_path / "data" / "busbay" == data_path()
    assert tmp_path / "cache" / "busbay" == cache_path()


@ON_LINUX
@pytest.mark.parametrize("value", ["", None])
def test_a_variable_that_is_not_set_or_empty_gives_the_default(
    value: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The specification's defaults: $HOME/.local/share and $HOME/.cache."""
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("XDG_DATA_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
        if value is not None:
            monkeypatch.setenv(name, value)
    assert tmp_path / ".local" / "share" / "busbay" == data_path()
    assert tmp_path / ".cache" / "busbay" == cache_path()


@ON_LINUX
def test_a_data_folder_that_cannot_be_made_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The error names the folder; no traceback of the system call reaches the user."""
    (tmp_path / "taken").write_text("a file")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "taken"))
    with pytest.raises(Problem, match=r"^the data folder .*taken/busbay cannot be made: "):
        data_folder()
