"""The bus of a high-voltage system: its capacitor, and the charge of its pack."""

import math

import pytest

from sim.modules.high_voltage_bus import Feed, HighVoltageBus
from sim.vehicle.description_high_voltage import NEGATIVE, POSITIVE, PRECHARGE, HighVoltage

SPEC = HighVoltage.model_validate(
    {
        "controller": "BATTERY",
        "drive": "DRIVE",
        "orange": {"SERVICE": {}},
        "service_disconnect": "SERVICE",
        "converter": {"module": "DCDC"},
        "precharge": {"ohm": 50, "capacitance_uf": 800, "bleed_ohm": 10_000_000},
        "pack_v": 400,
        "capacity_kwh": 50,
    }
)
PRECHARGING = Feed(frozenset({NEGATIVE, PRECHARGE}))
CLOSED = Feed(frozenset({NEGATIVE, POSITIVE}))


@pytest.mark.parametrize(("time_constants", "share"), [(1, 0.6321), (2, 0.8647), (3, 0.9502), (5, 0.9933)])
def test_precharge_follows_the_rc_formula(time_constants: int, share: float) -> None:
    """1 - exp(-t/RC): 63.2, 86.5, 95.0 and 99.3 % after 1, 2, 3 and 5 time constants (textbook table)."""
    bus = HighVoltageBus(SPEC)
    bus.switch(PRECHARGING, 10.0)
    assert 400 * share == pytest.approx(bus.bus_v(10.0 + time_constants * 0.040), rel=1e-3)


def test_the_time_to_a_level_is_the_formula_solved_for_it() -> None:
    """95 % of the pack's voltage after RC ln 20; never with the resistor open, nor behind it."""
    bus = HighVoltageBus(SPEC)
    bus.switch(PRECHARGING, 0.0)
    assert 0.040 * math.log(20) == pytest.approx(bus.reaches_in_s(380.0, 0.0), rel=1e-3)
    assert bus.reaches_in_s(410.0, 0.0) is None
    bus.switch(Feed(PRECHARGING.closed, resistor_whole=False), 0.0)
    assert bus.reaches_in_s(380.0, 0.0) is None


def test_a_bus_without_its_contactors_empties_through_its_bleeder() -> None:
    """37 % (1/e) after one time constant of bleeder and capacitor, here 22 kohm and 1 mF."""
    bus = HighVoltageBus(SPEC.model_copy(update={"precharge": SPEC.precharge.model_copy(
        update={"bleed_ohm": 22_000, "capacitance_uf": 1000})}))  # fmt: skip
    bus.switch(CLOSED, 0.0)
    full_v = bus.bus_v(1.0)
    bus.switch(Feed(), 1.0)
    assert full_v / math.e == pytest.approx(bus.bus_v(23.0), rel=1e-3)


def test_the_pack_loses_what_the_converter_draws_and_gains_what_the_charger_gives() -> None:
    """Energy balance: 500 W for two hours are 1 kWh, 2 % of 50 kWh; 3 kW on top of them gain 10 %."""
    bus = HighVoltageBus(SPEC)
    bus.switch(Feed(CLOSED.closed, drawn_w=500), 0.0)
    assert SPEC.charge_pct - 2 == pytest.approx(bus.charge_pct(7200.0))
    bus.switch(Feed(CLOSED.closed, drawn_w=500, charged_w=3000), 7200.0)
    assert SPEC.charge_pct - 2 + 10 == pytest.approx(bus.charge_pct(14_400.0))
    assert 7200.0 == pytest.approx(bus.reaches_charge_in_s(SPEC.charge_pct + 8, 7200.0))
