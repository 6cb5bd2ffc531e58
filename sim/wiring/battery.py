"""A 12 V lead-acid battery: open-circuit voltage, and resistance to charging current."""

import numpy as np

from sim.wiring.errors import CircuitError

# Rested open-circuit voltage in V by state of charge in %: a workshop table that agrees with common
# textbooks (common practice).
REST_V = {0.0: 11.89, 25.0: 12.06, 50.0: 12.24, 75.0: 12.45, 100.0: 12.65}

# What a battery accepts: the ampere-hour law (Woodbridge, 1935, as handbooks on storage batteries quote it;
# from memory) lets as many amperes in as ampere-hours are missing, and at 14.4 V a battery takes about that
# much (common practice). A full one still takes a float current, 0.5 A per 100 Ah (from memory).
ACCEPTANCE_V = 14.4
ACCEPTED_A_PER_MISSING_AH = 1.0
FLOAT_A_PER_AH = 0.005


def rest_v(charge_percent: float) -> float:
    """Open-circuit voltage in V of a rested battery (8 h at least) by state of charge, 0 to 100 %.

    Raises CircuitError outside 0 to 100.

    Not modeled: temperature, surface charge, AGM and lithium batteries.
    """
    if not 0 <= charge_percent <= 100:
        raise CircuitError(f"battery: charge_percent is {charge_percent!r}; it must be 0 to 100")
    return float(np.interp(charge_percent, list(REST_V), list(REST_V.values())))


def charging_ohm(charge_percent: float, capacity_ah: float, internal_ohm: float) -> float:
    """Resistance in ohm to charging current, between a battery's terminals and its rest voltage.

    Never below its internal one. Raises CircuitError outside 0 to 100 %.

    Not modeled: temperature, sulphation, the slow rise of acceptance in a deeply discharged battery.
    """
    missing_ah = capacity_ah * (1 - charge_percent / 100)
    accepted_a = max(ACCEPTED_A_PER_MISSING_AH * missing_ah, FLOAT_A_PER_AH * capacity_ah)
    return max(internal_ohm, (ACCEPTANCE_V - rest_v(charge_percent)) / accepted_a)
