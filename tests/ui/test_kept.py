"""Texts that outlive the server: each under its own key, and a key is never a path."""

from pathlib import Path

import pytest

from ui.state import kept


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return tmp_path


def test_what_was_kept_is_found_under_its_kind_and_key_only() -> None:
    """A text is found under its own kind and key, and under no other."""
    kept.keep("cars", "abcdefgh", "mine")
    assert "mine" == kept.kept("cars", "abcdefgh")
    assert None is kept.kept("cases", "abcdefgh")
    assert None is kept.kept("cars", "abcdefgx")


def test_a_visit_that_left_anything_is_known() -> None:
    """A case alone is enough, so that a page never says that nothing is saved above what was saved."""
    assert not kept.anything("abcdefgh")
    kept.keep("cases", "abcdefgh", "mine")
    assert [True, False, False] == [kept.anything(key) for key in ("abcdefgh", "abcdefgx", "*")]


@pytest.mark.parametrize(
    "key", ["", "short", "../cases/abcdefgh", "/abcdefgh", "abcd/efgh", "x" * 65, "abcdefg\0"]
)
def test_a_key_from_an_address_is_never_a_path(key: str, folder: Path) -> None:
    """A key with path characters keeps and finds nothing."""
    kept.keep("cases", "abcdefgh", "somebody else's")
    before = sorted(folder.rglob("*"))
    kept.keep("cars", key, "mine")
    assert before == sorted(folder.rglob("*"))
    assert None is kept.kept("cars", key)


def test_only_so_many_of_a_kind_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the limit the text that was not written for longest goes."""
    monkeypatch.setattr(kept, "MOST_KEPT", 3)
    for number in range(6):
        kept.keep("cars", f"key-number-{number}", "x")
    assert 3 == sum(kept.kept("cars", f"key-number-{number}") is not None for number in range(6))
