"""Levels of a LIN wire against ngspice: a netlist written by hand from the numbers of the standard.

Four ports at 12.6 V: 1 kohm of the master and 30 kohm of each slave, each with a diode in series; 1 Mohm of
each receiver; a driver of a diode and 24.7 ohm to ground. The wire's own milliohms are left out.
"""

import re
import subprocess
from pathlib import Path

import pytest

from sim.bench.live import LiveCar
from sim.vehicle.edits import parse_edit
from sim.vehicle.reading import read_car

CAR = Path(__file__).parents[1] / "bench" / "roof-car.yaml"
PULL_UPS_OHM = {"BCM": 1e3, "RAIN": 30e3, "WIPER": 30e3, "SUN": 30e3}


def by_ngspice(ngspice: str, folder: Path, on_wire: tuple[str, ...], sender: str, supply_v: float) -> float:
    """Voltage of a wire with these ports on it, pulled down by one of them ("": by none)."""
    lines = ["wire", f"Vs s 0 {supply_v!r}"]
    for name in on_wire:
        lines += [f"D{name} s p{name} port", f"R{name} p{name} w {PULL_UPS_OHM[name]!r}", f"Rr{name} w 0 1e6"]
    if sender:
        lines += ["Ddriver w d port", "Rdriver d 0 24.7"]
    lines += [".model port D(IS=1e-12 N=1)", ".temp 27", ".options reltol=1e-9 gmin=1e-12"]
    lines += [".control", "op", "print v(w)", ".endc", ".end"]
    netlist = folder / "wire.cir"
    netlist.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = subprocess.run([ngspice, "-b", str(netlist)], capture_output=True, text=True, timeout=60)
    found = re.search(r"v\(w\)\s*=\s*(\S+)", run.stdout)
    assert found, run.stdout + run.stderr
    return float(found[1])


@pytest.mark.parametrize(
    ("edit", "port", "on_wire", "sender"),
    [
        ("", "WIPER", ("BCM", "RAIN", "WIPER", "SUN"), ""),
        ("", "WIPER", ("BCM", "RAIN", "WIPER", "SUN"), "SUN"),
        ("", "SUN", ("BCM", "RAIN", "WIPER", "SUN"), "BCM"),
        ("open SP.roof.RAIN--SP.roof.WIPER", "WIPER", ("WIPER", "SUN"), ""),
        ("open SP.roof.RAIN--SP.roof.WIPER", "WIPER", ("WIPER", "SUN"), "SUN"),
        ("open SP.roof.RAIN--SP.roof.WIPER", "RAIN", ("BCM", "RAIN"), "BCM"),
    ],
)
def test_levels(
    ngspice: str, tmp_path: Path, edit: str, port: str, on_wire: tuple[str, ...], sender: str
) -> None:
    """Whole, and on both sides of a break: within 20 mV, which grounds and supplies differ by in the car."""
    live = LiveCar(read_car(CAR))
    live.connect_battery()
    live.run(1.0)
    if edit:
        live.edit(parse_edit(edit, live.car))
        live.run(0.1)
    reading = live.reading.while_dominant(f"{sender}.roof") if sender else live.reading
    node = live.car.lin[f"{port}.roof"]
    supply_v = reading.supply_v(port)
    expected_v = by_ngspice(ngspice, tmp_path, on_wire, sender, supply_v)
    assert pytest.approx(expected_v, abs=0.02) == reading.between(node.node, node.gnd)


@pytest.mark.parametrize(("ohm", "works"), [(1300.0, False), (3000.0, True)])
def test_a_wire_that_does_not_rest_above_sixty_per_cent_is_not_heard(ohm: float, works: bool) -> None:
    """A leak to the body against the pull-ups of about 0.9 kohm; VBUSrec of LIN 2.x, from memory."""
    live = LiveCar(read_car(CAR))
    live.connect_battery()
    live.run(3.0)
    assert live.buses.wire_links
    live.edit(parse_edit(f"short SP.roof.RAIN to BODY {ohm:g} ohm", live.car))
    live.run(0.01)
    node = live.car.lin["WIPER.roof"]
    share = (live.reading.between(node.node, node.gnd) or 0.0) / live.reading.supply_v("WIPER")
    assert works == (share > 0.6)
    assert 0.4 < share < 0.8
    assert works == bool(live.buses.wire_links)


@pytest.mark.parametrize(("ohm", "reads_itself"), [(10.0, True), (30.0, False)])
def test_a_sender_that_does_not_read_itself_back_is_not_heard(ohm: float, reads_itself: bool) -> None:
    """With 100 ohm to the battery on the wire it reaches less than 40 % of a whole supply, not of a weak one.

    A slave that reads back anything else than it sends breaks off (LIN 2.x, bit error; from memory).
    """
    live = LiveCar(read_car(CAR))
    live.connect_battery()
    live.run(3.0)
    for edit in (f"corrode RAIN.C1.1 {ohm:g} ohm", "short SP.roof.RAIN to BAT+ 100 ohm"):
        live.edit(parse_edit(edit, live.car))
    live.run(0.01)
    node = live.car.lin["RAIN.roof"]
    pulled_v = live.reading.while_dominant("RAIN.roof").between(node.node, node.gnd) or 0.0
    assert "running" == live.modules["RAIN"].state
    assert pulled_v < 0.4 * live.reading.supply_v("WIPER")
    assert reads_itself == (pulled_v < 0.4 * live.reading.supply_v("RAIN"))
    heard_by = {receiver for sender, receiver in live.buses.wire_links if sender == "RAIN.roof"}
    assert ({"BCM.roof", "SUN.roof", "WIPER.roof"} if reads_itself else set()) == heard_by
    assert ("WIPER.roof", "BCM.roof") in live.buses.wire_links
