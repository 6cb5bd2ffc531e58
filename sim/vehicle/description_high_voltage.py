"""What a description says of a high-voltage system: pack, contactors, interlock, insulation, DC/DC, inlet.

Only its 12 V and logic side is wired here and can be touched; what is orange can be inspected and nothing
else (`sim.vehicle.orange`). Defaults are common practice for a car with about 400 V, but for the limits of
insulation: 100 ohm/V is the least that UN ECE R100 and ISO 6469-3 ask of direct current, 500 ohm/V of
alternating current (from memory); here they are the fault and the warning.

Not modeled: cells, their voltage by charge and temperature, several packs, direct-current charging.
"""

from __future__ import annotations

from typing import Final

from pydantic import Field, model_validator

from sim.vehicle.conditions import Condition
from sim.vehicle.description_base import DtcText, Listed, Name, Ohms, Part
from sim.vehicle.description_software import CircuitCheck
from sim.vehicle.description_wiring import Charging

NEGATIVE, PRECHARGE, POSITIVE = "MAIN-", "PRECHARGE", "MAIN+"
CONTACTORS: Final = (NEGATIVE, PRECHARGE, POSITIVE)
RAILS: Final = ("HV+", "HV-")
LOOP_OUT, LOOP_IN = "loop_out", "loop_in"
LOOP_V, LOOP_OHM = 5.0, 1000.0  # the loop's source, and its resistance at both ends; our own choice
IN_RUN = Condition.model_validate({"mode": "run"})


class Orange(Part):
    """An orange connector. The interlock's wire comes to it `via` in-line connectors, from the one before."""

    title: str = ""
    location: str = ""
    via: Listed = ()


class Interlock(Part):
    """The loop through all orange connectors: half of `LOOP_V` at the module's `loop_out` if it is whole.

    An open loop gives nearly all of it, one with a short to ground nothing.
    """

    open_above_v: float = Field(3.75, gt=0, le=60)
    low_below_v: float = Field(1.25, gt=0, le=60)
    open_code: DtcText = "P0A0D-13"
    low_code: DtcText = "P0A0C-11"
    mature_ms: float = Field(100, ge=0)
    return_via: Listed = ()

    def checks(self) -> tuple[CircuitCheck, CircuitCheck]:
        """How the module watches it."""
        times = {"mature_ms": self.mature_ms, "heal_ms": self.mature_ms, "after_ms": 0.0}
        always = Condition.model_validate({"all": []})
        above = CircuitCheck(
            pin=LOOP_OUT, above_v=self.open_above_v, code=self.open_code, when=always, **times
        )
        below = CircuitCheck(pin=LOOP_OUT, below_v=self.low_below_v, code=self.low_code, when=always, **times)
        return above, below


class Precharge(Part):
    """Charging of the inverter's capacitor through a resistor before the positive contactor closes."""

    ohm: Ohms = 47
    capacitance_uf: float = Field(1000, ge=10, le=100_000)
    bleed_ohm: Ohms = 22_000  # across the capacitor, so that it is empty after a minute or two
    done_pct: float = Field(95, ge=50, le=99)
    limit_s: float = Field(0.5, gt=0, le=30)
    code: DtcText = "P0C78-00"

    @property
    def farad(self) -> float:
        """The capacitance in F."""
        return self.capacitance_uf / 1e6


class Insulation(Part):
    """Resistance of each rail against the body as built, and the limits per volt of the pack."""

    positive_ohm: Ohms = 5_000_000
    negative_ohm: Ohms = 5_000_000
    warning_ohm_per_v: float = Field(500, gt=0, le=100_000)
    fault_ohm_per_v: float = Field(100, gt=0, le=100_000)
    warning_code: DtcText = "P0AA6-84"
    fault_code: DtcText = "P0AA6-1A"
    mature_ms: float = Field(1000, ge=0)

    @model_validator(mode="after")
    def _warns_first(self) -> Insulation:
        if self.warning_ohm_per_v < self.fault_ohm_per_v:
            raise ValueError(f"warning_ohm_per_v must be at least fault_ohm_per_v, {self.fault_ohm_per_v:g}")
        return self


class Converter(Charging):
    """The DC/DC converter: what a generator is to a car with an engine, from the pack.

    `module` switches it on while its `when` is true and the bus has `least_v`. A fuse that feeds `CONVERTER`
    is its fusible link; without one its cable runs straight to the distribution rail.
    """

    module: Name
    when: Condition = IN_RUN
    least_v: float = Field(250, gt=0, le=1500)
    efficiency_pct: float = Field(92, gt=0, le=100)
    mv_per_k: float = Field(0, ge=-50, le=0)


class Inlet(Part):
    """The charge inlet, at the orange connector `part`, and the module that charges.

    Its control pilot goes to the input `pilot` of the module, its proximity contact to the pin `proximity`
    (IEC 61851-1; `sim.vehicle.pilot`). The module asks for current (state C) while `when` is true.
    """

    part: Name
    module: Name
    pilot: Name = "pilot"
    proximity: Name = "proximity"
    via: Listed = ()
    ground: str | None = None
    when: Condition
    power_kw: float = Field(7.2, gt=0, le=50)


class HighVoltage(Part):
    """The high-voltage system of a car without an engine.

    controller: the battery module, with the contactors, the interlock's ends and the insulation monitor.
    orange: the connectors of the interlock in their order. `close`: when the contactors close; `hold`: while
    they stay closed. drive: the module of the motor; the car is ready while its condition `ready` is true.
    """

    controller: Name
    drive: Name
    ready: Condition = IN_RUN
    close: Condition = IN_RUN
    hold: Condition = IN_RUN
    pack_v: float = Field(355, ge=60, le=1500)
    capacity_kwh: float = Field(60, gt=0, le=500)
    charge_pct: float = Field(70, ge=0, le=100)
    orange: dict[Name, Orange] = Field(min_length=1, max_length=20)
    service_disconnect: Name
    interlock: Interlock = Interlock()
    precharge: Precharge = Precharge()
    insulation: Insulation = Insulation()
    converter: Converter
    inlet: Inlet | None = None
    coil_ohm: Ohms = 24  # of a contactor with an economizer: 0.5 A; common practice
    pull_in_v: float = Field(8.0, gt=0, le=60)
    drop_out_v: float = Field(3.0, gt=0, le=60)
    stuck_closed_codes: tuple[DtcText, DtcText] = ("P0AA1-73", "P0AA4-73")  # positive, negative
    stuck_open_code: DtcText = "P0AA2-72"  # of the positive one
