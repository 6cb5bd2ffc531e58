"""Edits of what a tester writes into a module, and of the module that nothing can be written into.

A fault here is what a dead, new, used or badly programmed module is; its repair is done with a tester over
the car's own wires (`sim.bench.programming`), but for the dead one's, which is replaced.

Which modules have a coding, keys or a calibration is said in the vehicle file (`set_up`).

Not modeled: codings in parts, a history of software versions, hardware that does not fit software.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from sim.vehicle.car import Car
from sim.vehicle.description_software import SetUp
from sim.vehicle.edit import Answer, Change, Edit, EditKind, Offer, noted, without
from sim.vehicle.edit_words import one_name
from sim.vehicle.j1939 import ADDRESSES
from sim.vehicle.problems import EditProblem, unknown

BLANK = "blank"  # nothing written yet
OTHER_CAR = "another car's"  # a coding for equipment that this car does not have
CAR_VIN = "BUSBAYTRAYNER0001"  # invented; 17 characters without I, O and Q as in ISO 3779
OTHER_VIN = "BUSBAYTRAYNER0002"
SOFTWARE = "1.0"  # what this car's modules have, and what a tester flashes
OLD_SOFTWARE = "0.9"
SET_UP_FIELDS = ("codings", "vins", "software", "half_flashed", "uncalibrated", "unmatched")


def as_new(name: str, car: Car) -> Car:
    """The car with a new module in the place of `name`: what its file says has to be set up is not yet."""
    needs = car.built.modules[name].set_up
    for need, marks in _NEW.items():
        for mark in marks if need in needs else ():
            car = mark(name)(car)
    return car


_NEW: dict[SetUp, tuple[Callable[[str], Change], ...]] = {
    "coding": (lambda name: noted("codings", name, BLANK), lambda name: noted("vins", name, BLANK)),
    "keys": (lambda name: noted("unmatched", name),),
    "calibration": (lambda name: noted("uncalibrated", name),),
}


# -- which modules ---------------------------------------------------------------------------------------


def with_set_up(car: Car, what: SetUp) -> list[str]:
    """The modules of a car that have a coding, keys or a calibration, and can be asked by a tester."""
    return [name for name in car.addresses if what in car.built.modules[name].set_up]


def _module(words: list[str], verb: str, car: Car) -> str:
    name = one_name(words, verb)
    if name not in car.addresses:
        raise EditProblem(unknown("module", name, car.addresses))
    return name


def _with(what: SetUp, words: list[str], verb: str, car: Car) -> str:
    name, having = _module(words, verb, car), with_set_up(car, what)
    if name not in having:
        known = f"those that have are {', '.join(having)}" if having else "no module of this car has"
        raise EditProblem(f"{name} has no {what} to be set up; {known}")
    return name


# -- faults ----------------------------------------------------------------------------------------------


def _fault(verb: str, name: str, undo: str, *changes: Change) -> Edit:
    text = f"{verb} {name}"

    def change(car: Car) -> Car:
        after = car
        for one in changes:
            after = one(after)
        if after.harness == car.harness:
            raise EditProblem(f"'{text}' has been done already")
        return after

    return Edit(text, verb, "fault", change, undo, (name,))


def _fail(words: list[str], car: Car) -> Edit:
    name = one_name(words, "fail")
    if name not in car.built.modules:
        raise EditProblem(unknown("module", name, car.built.modules))
    return _fault("fail", name, f"replace {name}", noted("dead", name))


def _uncode(words: list[str], car: Car) -> Edit:
    name = _with("coding", words, "uncode", car)
    return _fault("uncode", name, f"code {name}", *(mark(name) for mark in _NEW["coding"]))


def _miscode(words: list[str], car: Car) -> Edit:
    name = _with("coding", words, "miscode", car)
    return _fault("miscode", name, f"code {name}", noted("codings", name, OTHER_CAR))


def _transplant(words: list[str], car: Car) -> Edit:
    name = _with("coding", words, "transplant", car)
    return _fault("transplant", name, f"code {name}", noted("vins", name, OTHER_VIN))


def _unmatch(words: list[str], car: Car) -> Edit:
    name = _with("keys", words, "unmatch", car)
    return _fault("unmatch", name, "match keys", noted("unmatched", name))


def _uncalibrate(words: list[str], car: Car) -> Edit:
    name = _with("calibration", words, "uncalibrate", car)
    return _fault("uncalibrate", name, f"calibrate {name}", noted("uncalibrated", name))


def _halfflash(words: list[str], car: Car) -> Edit:
    name = _module(words, "halfflash", car)
    return _fault("halfflash", name, f"flash {name}", noted("half_flashed", name))


def _misflash(words: list[str], car: Car) -> Edit:
    name = _module(words, "misflash", car)
    return _fault("misflash", name, f"flash {name}", noted("software", name, OLD_SOFTWARE))


def _readdress(words: list[str], car: Car) -> Edit:
    claims = car.messages.claims
    if len(words) != 3 or words[1] != "as":
        raise EditProblem("write 'readdress MODULE as MODULE', such as 'readdress CAMERA as RETARDER'")
    name, other = words[0], words[2]
    if name not in retrofits_of(car):
        raise EditProblem(unknown("module with address switches", name, retrofits_of(car)))
    if other not in neighbors_of(car, name):
        raise EditProblem(f"{other} shares no bus of SAE J1939 with {name}: choose another module")
    text = f"readdress {name} as {other}"
    change = noted("addresses", name, claims[other].address)
    return Edit(text, "readdress", "fault", change, f"repair {name}", (name, other))


def retrofits_of(car: Car) -> list[str]:
    """Modules with an address that no usual role has: fitted later, with switches for it."""
    usual = {address for address, _ in ADDRESSES.values()}
    return [name for name, claim in car.messages.claims.items() if claim.address not in usual]


def neighbors_of(car: Car, name: str) -> Mapping[str, str]:
    """The other modules on its buses of SAE J1939, with their addresses."""
    claims, buses = car.messages.claims, car.messages.buses_of
    return {
        other: f"address {claim.address}"
        for other, claim in claims.items()
        if other != name and name in claims and set(buses[other]) & set(buses[name])
    }


def _every_readdress(car: Car) -> Iterator[str]:
    for name in retrofits_of(car):
        yield from (f"readdress {name} as {other}" for other in neighbors_of(car, name))


# -- repairs, with a tester ------------------------------------------------------------------------------


def _repair(text: str, part: str, fields: tuple[str, ...], names: frozenset[str]) -> Edit:
    def change(car: Car) -> Car:
        return car.with_harness(**without(car.harness, fields, names))

    return Edit(text, text.split()[0], "repair", change, None, (part,) if part else ())


def _code(words: list[str], car: Car) -> Edit:
    name = _with("coding", words, "code", car)
    return _repair(f"code {name}", name, ("codings", "vins"), frozenset({name}))


def _calibrate(words: list[str], car: Car) -> Edit:
    name = _with("calibration", words, "calibrate", car)
    return _repair(f"calibrate {name}", name, ("uncalibrated",), frozenset({name}))


def _flash(words: list[str], car: Car) -> Edit:
    name = _module(words, "flash", car)
    return _repair(f"flash {name}", name, ("software", "half_flashed"), frozenset({name}))


def _match(words: list[str], car: Car) -> Edit:
    immobilizer = car.built.immobilizer
    if words != ["keys"]:
        raise EditProblem("write 'match keys'")
    if immobilizer is None:
        raise EditProblem("this car has no immobilizer")
    ends = frozenset({immobilizer.authority, immobilizer.engine})
    return _repair("match keys", immobilizer.authority, ("unmatched",), ends)


# -- lists -----------------------------------------------------------------------------------------------


def _dead(car: Car) -> Iterator[str]:
    yield from (f"fail {name}" for name in car.built.modules)


def _of(verb: str, what: SetUp) -> Callable[[Car], Iterator[str]]:
    def every(car: Car) -> Iterator[str]:
        yield from (f"{verb} {name}" for name in with_set_up(car, what))

    return every


def _every(verb: str) -> Callable[[Car], Iterator[str]]:
    def every(car: Car) -> Iterator[str]:
        yield from (f"{verb} {name}" for name in car.addresses)

    return every


def _itself(verb: str, every: Callable[[Car], Iterator[str]]) -> Callable[[Car, str], Mapping[str, str]]:
    """The module that is chosen, if it can have this fault."""
    return lambda car, name: {name: ""} if f"{verb} {name}" in every(car) else {}


def _kind(
    verb: str,
    parse: Callable[[list[str], Car], Edit],
    leaves: dict[str, str],
    repair: str,
    every: Callable[[Car], Iterator[str]],
    button: str,
    wrong: str,
    taken_back: str = "{repair} {part}",
) -> EditKind:
    choice = "dead modules" if verb == "fail" else "set-up of modules"
    return EditKind(
        verb, "fault", parse, leaves, repair, candidates={choice: every},
        answers=(Answer("module", wrong, f"{verb} {{other}}", "which module", _itself(verb, every)),),
        offers=(Offer("module", button, f"{verb} {{part}}"),), taken_back=taken_back,
    )  # fmt: skip


KINDS = (
    _kind(
        "fail", _fail, {"dead": "{part} has failed inside"},
        "replace", _dead, "Fail it inside", "internal failure",
    ),
    _kind(
        "uncode", _uncode, {"codings": "{part} has this coding: {now}", "vins": "{part} has this VIN: {now}"},
        "code", _of("uncode", "coding"), "Remove its coding", "not coded",
    ),
    _kind(
        "miscode", _miscode, {"codings": "{part} has this coding: {now}"},
        "code", _of("miscode", "coding"), "Code it for another car", "coded for other equipment",
    ),
    _kind(
        "transplant", _transplant, {"vins": "{part} has this VIN: {now}"},
        "code", _of("transplant", "coding"), "Give it another car's VIN", "has another car's VIN",
    ),
    _kind(
        "unmatch", _unmatch, {"unmatched": "{part} does not match the immobilizer"},
        "match", _of("unmatch", "keys"), "Unmatch it from the immobilizer",
        "not matched to the immobilizer",
        taken_back="match keys",
    ),
    _kind(
        "uncalibrate", _uncalibrate, {"uncalibrated": "{part} is not calibrated"},
        "calibrate", _of("uncalibrate", "calibration"), "Remove its calibration", "not calibrated",
    ),
    _kind(
        "halfflash", _halfflash, {"half_flashed": "{part} has incomplete software, only its boot loader"},
        "flash", _every("halfflash"), "Interrupt its flashing", "software incomplete, only its boot loader",
    ),
    _kind(
        "misflash", _misflash, {"software": "{part} has software version {now}"},
        "flash", _every("misflash"), "Flash another version", "wrong software version",
    ),
    EditKind(
        "readdress", "fault", _readdress, {"addresses": "{part} claims address {now}"}, "repair",
        targets=retrofits_of, candidates={"addresses": _every_readdress},
        answers=(
            Answer(
                "module", "claims another module's address", "readdress {part} as {other}",
                "whose address it claims", neighbors_of, "claims the address of {other}",
            ),
        ),
    ),
    EditKind("code", "repair", _code, tool="program"),
    EditKind("calibrate", "repair", _calibrate, tool="program"),
    EditKind("flash", "repair", _flash, tool="program"),
    EditKind("match", "repair", _match, tool="program"),
)  # fmt: skip
