"""Service information: what the wiring diagram, the lists and the tables of this car *claim*.

    service = ServiceInformation(car)
    service.fuses, service.relays, service.grounds, service.locations
    service.face("ECM.C1")             # a connector's pin table
    service.supply_path("ECM.C1.1")    # battery, clamp, feed bar, fuse, splice, pin
    service.expected("ECM.C1.1")       # what a meter should show there, with its source

All of it follows from `car.claimed`: what edits and theories have done to the car does not show here, and a
claim that is wrong (a mislabeled fuse) stays wrong. Wire colors are invented for each car; the letters are
those of IEC 60757.

Not modeled: shields, wire lengths, splice packs, several pages per circuit.
"""

from __future__ import annotations

from functools import cached_property

from sim.instruments import labels, lists, paths
from sim.instruments.claim import Claim
from sim.instruments.expected import expected_readings


class ServiceInformation(Claim):
    """What is printed about one car."""

    fuses = cached_property(lists.fuse_list)
    relays = cached_property(lists.relay_list)
    grounds = cached_property(lists.ground_list)
    locations = cached_property(lists.locations)
    face = lists.face
    bus_pins = lists.bus_pins
    words = labels.pin_words
    words_at = labels.words_at
    color = labels.wire_color
    far_ends = paths.far_ends
    supply_path = paths.supply_path
    return_path = paths.return_path
    wire_path = paths.wire_path
    sensor_ends = paths.sensor_ends
    consumers = paths.consumers
    expected = expected_readings
