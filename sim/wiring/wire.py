"""Resistance of copper conductors."""

import math
from functools import lru_cache

from sim.wiring.errors import CircuitError, require_positive

# Largest resistance at 20 degC, mohm/m, of bare-copper road-vehicle cable by cross-section in mm2:
# ISO 6722-1 / ISO 19642, from memory; each is 0.95..0.96 of what two published tables give for IEC 60228
# class 5.
CABLE_MOHM_PER_M = {
    0.13: 136.0,
    0.22: 84.8,
    0.35: 54.4,
    0.5: 37.1,
    0.75: 24.7,
    1.0: 18.5,
    1.5: 12.7,
    2.5: 7.60,
    4.0: 4.71,
    6.0: 3.14,
    10.0: 1.82,
    16.0: 1.16,
    25.0: 0.743,
    35.0: 0.527,
    50.0: 0.368,
}

# Annealed copper at 20 degC (the international standard, IEC 60028), from memory; it reproduces a published
# 10.15 ohm per 1000 ft for AWG 20.
COPPER_OHM_MM2_PER_M = 0.017241
COPPER_PER_K = 0.00393

# Cable classes of ISO 6722-1 end at -40 and 250 degC (from memory).
TEMPERATURE_LIMITS_C = (-60.0, 250.0)


@lru_cache(maxsize=4096)
def wire_ohm(length_m: float, area_mm2: float, temperature_c: float = 20.0) -> float:
    """Resistance in ohm of a copper conductor.

    A cross-section of CABLE_MOHM_PER_M has its table value, any other that of solid annealed copper.
    Raises CircuitError for a length below 0, an area not above 0 or a temperature out of limits.

    Not modelled: tinned or aluminium conductors, heating by the current itself, broken strands (give those
    a resistance of their own).
    """
    if not (math.isfinite(length_m) and length_m >= 0):
        raise CircuitError(f"wire: length_m is {length_m!r}; it must be a finite number from 0")
    require_positive("wire", area_mm2=area_mm2)
    low_c, high_c = TEMPERATURE_LIMITS_C
    if not low_c <= temperature_c <= high_c:
        raise CircuitError(f"wire: temperature_c is {temperature_c!r}; it must be {low_c:g} to {high_c:g}")
    per_m_ohm = CABLE_MOHM_PER_M.get(area_mm2, COPPER_OHM_MM2_PER_M * 1000 / area_mm2) / 1000
    return length_m * per_m_ohm * (1 + COPPER_PER_K * (temperature_c - 20.0))
