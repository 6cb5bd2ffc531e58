"""The address on the projector: one that students reach, and its QR code."""

from pathlib import Path

import pytest
import segno

from sim.vehicle.problems import Problem
from ui.drawing.class_sheets import join_code
from ui.state import classroom, reach

LAN = ["192.168.0.10"]


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr(reach, "lan_addresses", lambda: LAN)
    monkeypatch.setattr(reach.st, "get_option", lambda name: "0.0.0.0")
    monkeypatch.setattr(classroom, "address", lambda path: f"http://localhost:8501/{path}")


def test_a_loopback_address_is_never_shown() -> None:
    """An instructor at this computer sees its address in the network, with the port."""
    assert reach.Reach("http://192.168.0.10:8501/join") == reach.for_students("join")


def test_where_only_this_computer_reaches_the_server_the_page_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A server that listens to this computer alone has no address for others: the hint names the command."""
    monkeypatch.setattr(reach.st, "get_option", lambda name: "127.0.0.1")
    found = reach.for_students("join")
    assert ("", True) == (found.address, "--address 0.0.0.0" in found.hint)
    assert "QR" not in join_code("ACDEFHJ", found.address)


def test_the_address_that_others_came_by_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """An instructor who came by the server's name shows that name."""
    monkeypatch.setattr(classroom, "address", lambda path: f"https://bay.school.example/{path}")
    assert reach.Reach("https://bay.school.example/join") == reach.for_students("join")


def test_the_instructor_sets_an_address_and_takes_it_away() -> None:
    """A set address comes first; one of this computer only, or none at all, is refused."""
    reach.set_address(" http://bay.local:8501/ ")
    assert "http://bay.local:8501/join" == reach.for_students("join").address
    for wrong in ("bay.local", "ftp://x", "http://127.0.0.1:8501", "http://localhost", "http://[::1]/"):
        with pytest.raises(Problem):
            reach.set_address(wrong)
    reach.set_address("")
    assert LAN[0] in reach.for_students("join").address


def test_this_machine_knows_its_addresses(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the kernel tells are addresses, none of them loopback."""
    monkeypatch.undo()
    assert not any(reach.is_loopback(one) for one in reach.lan_addresses())


def test_the_qr_code_is_of_the_address() -> None:
    """The drawing is that of the encoder for this address, and its words are there for a screen reader."""
    address = "http://192.168.0.10:8501/join"
    shown = join_code("ACDEFHJ", address)
    path = (
        segno.make(address, error="m", micro=False).svg_inline(border=4, omitsize=True).partition(' d="')[2]
    )
    assert path.partition('"')[0] in shown
    assert f"QR code of {address}" in shown
