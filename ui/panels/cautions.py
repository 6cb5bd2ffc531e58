"""The usual cautions, shown where the work happens. The maker's service information comes first."""

from __future__ import annotations

import streamlit as st

from sim.instruments.cautions import AIRBAG, BATTERY_CLAMP, HIGH_VOLTAGE

MAKER = "The maker's service information comes first."

CAUTIONS = {
    "battery": f"**Battery**: {BATTERY_CLAMP}",
    "airbag": AIRBAG.replace("Airbag circuit:", "**Airbag circuit**:"),
    "cranking": "**Cranking**: park or neutral, brake on, hands and leads clear of belts and fans. "
    "A car with wiring faults may start by itself.",
    "high_voltage": f"**High voltage**: {HIGH_VOLTAGE}",
    "probing": "**Plugging and probing**: ignition off before a module is unplugged or plugged; "
    "matching adapters, 10 Mohm meter, never pierce a data pair.",
    "bypass": "**Bypassing a gateway or bridging a bus** hides faults and makes new ones. "
    "Not on the road, never left in the car.",
    "shorts": "**Shorts and wrong fuses** burn real harnesses: only ever here, in simulation.",
    "program": "**Writing into a module**: keep a charger at the battery; leave doors and key alone. "
    "The maker's service information says what a new module needs, and in which order.",
    "actuate": "**Actuator tests** move real parts: fans, pumps, lifts and doors start without warning. "
    "Park or neutral, brake on, hands clear. The maker's service information comes first.",
    "clear": "**Clearing codes** throws evidence away: save a report first.",
}


def caution(*names: str) -> None:
    """Show cautions in one quiet line each."""
    for name in names:
        st.caption(f":material/warning: {CAUTIONS[name]} {MAKER if name in ('airbag', 'battery') else ''}")
