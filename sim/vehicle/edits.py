"""Edits: faults, repairs and theories, all of one kind.

An edit is one sentence about one car, and `edit.apply(car)` is the car after it. Sentences::

    unplug ECM.C1                 plug ECM.C1             any connector, also X10, DLC, BAT.NEG
    pull F12                      fit F12                 a fuse or relay out, a right one in
    fit F12 20 A                  blow F12                a wrong rating; a fuse blown
    open ECM.C1.3                 repair ECM.C1.3         a pin, wire, ground point or splice leg interrupted
    corrode ECM.C1.3 0.5 ohm                              added resistance
    short ECM.C1.3 to BODY 0.1 ohm                        any two terminals; `remove short ECM.C1.3 to BODY`
    swap ECM.C1.4 with ECM.C1.5                           wires in each other's cavity; `unswap ... with ...`
    loosen X10                                            half seated: some pins do not meet; `plug X10` mends
    interrupt ECM.C1.3 every 20 s for 300 ms              open now and then, by chance; `repair ECM.C1.3`
    interrupt ECM.C1.3 when shaken                        open while the harness is wiggled there or the car
                                                          drives; also `when hot`
    offset G2 1.5 V                                       a ground point above the body; `repair G2`
    terminate DLC.6 to DLC.14 120 ohm                     one terminator more; `unterminate DLC.6 to DLC.14`
    open GATEWAY:diag.terminator                          one less, also `open R1`; `repair` puts it back
    bypass GATEWAY diag to powertrain  unbypass GATEWAY   a lead in place of an unplugged gateway
    overcharge GEN 17 V           undercharge GEN 12.2 V  a regulator that holds another voltage; `repair GEN`
    charge 30 %                                           the battery's state of charge
    weaken BAT2                   replace BAT2            one cell of a battery shorted inside
    stick TCM.powertrain                                  a transceiver's transmit input held dominant
    babble TCM.powertrain                                 a module that sends the highest priority without end
    set TCM.powertrain to 250 kbit/s                      a wrong bit rate, as after wrong software
    set TCM.backbone to classical CAN                     a part too old for CAN FD
    strap BODY-HUB.spine as slave                         an Ethernet PHY with the other end's role
    keep DOOR-LEFT awake                                  software that, once awake, never lets go again
    replace TCM                                           a right module in its place: ends all these; where
                                                          the car's file says so, it has to be set up then
    fail TCM                                              dead inside: draws next to nothing, no answer
    uncode ECM                    code ECM                nothing written into it yet, as a new one
    miscode ECM                   code ECM                the coding of a car with other equipment
    transplant ECM                code ECM                holds another car's VIN
    unmatch ECM                   match keys              does not know the immobilizer's other end
    uncalibrate STEER-ANGLE       calibrate STEER-ANGLE   its adaptation is missing
    halfflash ECM                 flash ECM               boot loader only, after a flash that was interrupted
    misflash ECM                  flash ECM               another software version than the car needs
    jam MAIN+                     weld MAIN-              a contactor that does not close, or does not open
    burn PRECHARGE-RESISTOR                               open
    leak HV- 20000 ohm                                    a high-voltage rail's insulation against the body
    refer INVERTER-PLUG                                   orange parts are repaired by licensed technicians
    readdress LIFTGATE as TCM     repair LIFTGATE         claims another module's address (SAE J1939)
    mute wheel_speed_left         replace wheel_speed_left  a sensor that is silent: its level, and no signal
    replace map_sensor                                    the same with a sensor: ends a short inside it
    theory ECM waits for TRAILER                          start-up
    theory body runs through DOOR-LEFT                    the line goes through a module's connector
    theory F7 feeds TRAILER.B+                            the diagram is wrong about this fuse
    theory TCM shuts down when code P0562 in ECM          offline while it is so; also `stored code P0562`,
                                                          `no message from ABS`,
                                                          `line IGN dead`, `mode crank`, `supply below 11 V`,
                                                          several joined by `and` or `or`

A figure may be `?`, as in `corrode G8 ? ohm`: not measured, with its usual value.

`EDIT_KINDS` has a row for each verb. A new fault is a function and its row in one of the files below;
parser, lists of candidates and answers, the work panel, labor times and the judging of causes read the row.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import partial

from sim.vehicle import (
    edits_conductors,
    edits_connectors,
    edits_high_voltage,
    edits_intermittent,
    edits_modules,
    edits_sensors,
    edits_set_up,
    edits_theories,
)
from sim.vehicle.car import Car
from sim.vehicle.edit import EDIT_KINDS as EDIT_KINDS
from sim.vehicle.edit import Edit, EditKind, Lister, Offer, Sightings
from sim.vehicle.harness_state import Alteration, HarnessState, Intermittent, Lead, alterations
from sim.vehicle.plain_words import in_form
from sim.vehicle.problems import EditProblem, Problem, did_you_mean, unknown

EDIT_KINDS.update(
    {
        kind.verb: kind
        for kind in (
            *edits_connectors.KINDS,
            *edits_conductors.KINDS,
            *edits_intermittent.KINDS,
            *edits_connectors.BYPASSES,
            *edits_modules.KINDS,
            *edits_set_up.KINDS,
            *edits_sensors.KINDS,
            *edits_high_voltage.KINDS,
            *edits_theories.KINDS,
        )
    }
)

EDIT_VERBS = EDIT_KINDS.keys()
NEGATIVE_CLAMP = "BAT.NEG"


def parse_edit(text: str, car: Car) -> Edit:
    """The edit that a sentence means for this car; raises `EditProblem` with the nearest right name."""
    words = in_form(text).split()
    if not words:
        raise EditProblem("an empty edit")
    verb = words[0].lower()
    if verb not in EDIT_KINDS:
        raise EditProblem(f"no edit begins with '{words[0]}'{did_you_mean(verb, EDIT_KINDS)}")
    return EDIT_KINDS[verb].parse(words[1:], car)


def verb_of(sentence: str) -> str:
    """The first word of a sentence in normal form."""
    return sentence.partition(" ")[0]


def is_theory(sentence: str) -> bool:
    """Whether a sentence supposes something about the design."""
    return sentence.split()[:1] == ["theory"]


def is_repair(verb: str) -> bool:
    """Whether a verb puts something right, or back."""
    return verb in EDIT_KINDS and EDIT_KINDS[verb].sort == "repair"


def apply_all(car: Car, edits: Iterable[str]) -> Car:
    """The car after edit sentences in order, theories first: they change how the car is built."""
    for text in sorted(edits, key=lambda one: not one.lstrip().lower().startswith("theory")):
        car = parse_edit(text, car).apply(car)  # a fault may be at a pin that is there by a theory only
    return car


# -- lists of faults -----------------------------------------------------------------------------------


def catalogue(car: Car) -> tuple[str, ...]:
    """Every single hardware fault that can be offered for this car, as sentences, in a fixed order."""
    return tuple(text for kind in EDIT_KINDS.values() for text in kind.catalogue(car))


def further_kinds() -> Mapping[str, Lister]:
    """Kinds of faults beyond the catalogue, by name: each lists its faults of one car, in a fixed order.

    Buses that are shorted, swapped or disturbed from inside a module run bit by bit: such runs take seconds.

    Not modeled: faults of more than one size; faults that come and go or come late; shorts between any two
    wires of a loom; software that keeps a module awake, which shows only in a battery that is flat next day.
    """
    found: dict[str, list[Lister]] = {}
    for kind in EDIT_KINDS.values():
        for name, faults in kind.candidates.items():
            found.setdefault(name, []).append(faults)
    return {name: partial(_all_of, listers) for name, listers in found.items()}


def _all_of(listers: Iterable[Lister], car: Car) -> Iterator[str]:
    """The faults of one choice, which several kinds of edits may share."""
    for faults in listers:
        yield from faults(car)


def further_faults(car: Car, kinds: Iterable[str] | None = None) -> tuple[str, ...]:
    """The faults of these kinds, or of all; raises `Problem` with the nearest right name."""
    known = further_kinds()
    chosen = list(known if kinds is None else kinds)
    for kind in chosen:
        if kind not in known:
            raise Problem(unknown("kind of fault", kind, known))
    return tuple(dict.fromkeys(text for kind in chosen for text in known[kind](car)))


def possible_theories(car: Car, seen: Sightings) -> Mapping[str, tuple[str, ...]]:
    """Theories about this car's design that could have to do with what was seen, by their sort."""
    return {
        sort: tuple(every(car, seen)) for kind in EDIT_KINDS.values() for sort, every in kind.theories.items()
    }


def offers_at(part: str) -> Iterator[tuple[EditKind, Offer]]:
    """The faults that are offered where work at a kind of part is chosen (see `Offer.part`)."""
    for kind in EDIT_KINDS.values():
        yield from ((kind, offer) for offer in kind.offers if offer.part == part)


# -- what was changed ----------------------------------------------------------------------------------


def changes_of(car: Car) -> Iterator[tuple[str, str]]:
    """Everything that differs from the car as built, in words, with the sentence that takes it back."""
    for one in alterations(HarnessState(), car.harness):
        kind = _kind_that_left(one)
        if one.field == "unplugged" and one.part == NEGATIVE_CLAMP:
            yield "battery disconnected (negative)", "reconnect battery"
        elif kind and not (one.field == "swapped" and one.part > str(one.now)):  # a pair is listed once
            shown = _shown(one, car) | {"repair": kind.repair}
            yield kind.leaves[one.field].format_map(shown), kind.taken_back.format_map(shown)


def _kind_that_left(one: Alteration) -> EditKind | None:
    """The kind of edit whose trace an alteration is."""
    if isinstance(one.now, Lead):
        return EDIT_KINDS[one.now.verb]
    return next((kind for kind in EDIT_KINDS.values() if one.field in kind.leaves), None)


def _module_of(one: Alteration, car: Car) -> str:
    """The gateway of a bypass lead, the module of a channel; otherwise the part itself."""
    if isinstance(one.now, Lead):
        return one.now.targets[0]
    return car.channels[one.part].module if one.part in car.channels else one.part


def _shown(one: Alteration, car: Car) -> dict[str, object]:
    """What the texts of a kind may hold: the part and its value now, and what follows from them."""
    return {
        "part": one.part,
        "now": one.now,
        "thousands": one.now / 1000 if isinstance(one.now, float | int) else 0.0,
        "module": _module_of(one, car),
        "usual_pct": car.built.battery.charge_pct,
        "how": f" {one.now.when}" if isinstance(one.now, Intermittent) and one.now.when != "any time" else "",
    }
