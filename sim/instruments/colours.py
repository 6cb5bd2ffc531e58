"""The colors of wires: red for supply, brown for ground, yellow and green for a pair.

Letters of IEC 60757. Which circuit has which color is invented; the ones named are common practice.
"""

from __future__ import annotations

import zlib

from sim.instruments.claim import Claim

SUPPLY, GROUND, HIGH, LOW, ONE_WIRE = "RD", "BN", "YE", "GN", "VT"
OTHER_COLOURS = ("BU", "VT", "GY", "WH", "OG", "BK")
STRIPES = ("", "/WH", "/BK", "/YE", "/RD", "/GN")


def wire_colour(claim: Claim, node: str) -> str:
    """The colour of the wire that ends at a terminal."""
    reached = claim.conductor(node)
    if reached & {"BAR", "BAT+"}:
        return SUPPLY
    pins = [pin for pin in claim.car.pins.values() if claim.outer(pin) in reached]
    functions = {pin.function for pin in pins}
    for marked, colour in ((".H", HIGH), (".L", LOW), (".LIN", ONE_WIRE)):
        if any(one.rstrip("2").endswith(marked) for one in functions):
            return colour
    if reached & {"BODY", "BAT-", *claim.vehicle.grounds}:
        return GROUND
    name = min((one for one in reached if "." in one), default=node)
    stripe = STRIPES[zlib.crc32(name.encode()) % len(STRIPES)]
    if any(one.startswith("B+") for one in functions):
        return SUPPLY + stripe.replace("/RD", "")
    colour = OTHER_COLOURS[zlib.crc32(name[::-1].encode()) % len(OTHER_COLOURS)]
    return colour if stripe == f"/{colour}" else colour + stripe
