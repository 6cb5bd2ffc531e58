"""Actions: what a person does at the car, one sentence each.

press start                  press the start button for a moment
press start with brake       the same with the foot on the brake
brake on / brake off         hold the brake pedal, let it go
key off|accessory|run        turn the key of a car that has one
key crank                    turn it to crank for two seconds, then back to run
fob away|in range|at button  where the key fob is
switch NAME on|off           any other hand-operated switch of the car
cable in / cable out         plug a charging cable into the inlet, take it out
drive at 30 km/h             drive off on the road, or come to another speed; `drive at 0 km/h` stops
drive to the lights          drive off, brake to a standstill as at a red light, and hold the brake
wiggle ABS.C1                shake a connector, wire, ground or module by hand for some seconds
heat ABS / freeze ABS        warm a part with a heat gun, cool it with freeze spray
ask since when               ask the customer (or when, how often, what was done, what else)
ask when: in the rain        note what a customer of your own answers
wait 10 s                    let time pass (ms, s, min, h)
scan                         read every module through the diagnostic connector
save NAME                    keep the last scan under a name
clear / clear ECM            clear codes of all modules, or of one
unlock GATEWAY               security access to a guarded gateway
identify ECM                 read what a module says it is: VIN, part, software, coding
read ECM                     read a module's live data once; `read ECM for 10 s` again and again
details ECM P0562            freeze frames and counters of one trouble code
readiness                    which monitors of the engine have run, and whether its lamp is asked for
faults                       what controllers on SAE J1939 say: DM1, and DM2 on request
actuate BCM run_relay on     switch an output (or `lamps`, all telltales) and hold it; `off`
release BCM                  end that: the module switches its outputs by itself again
selftest ECM                 let a module run all its tests again
disconnect battery           take its negative clamp off; `reconnect battery` puts it back
unplug ABS, fit F3 ...       any fault or repair of `busbay words CAR`
measure, load, scope, look   see `busbay words CAR measure`
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from sim.bench.asking import Asked, parse_question
from sim.bench.observations import OBSERVATION_VERBS, Observation, parse_observation
from sim.bench.probing import is_place, places
from sim.bench.traffic import is_on_j1939, no_tester_address
from sim.modules.diagnostics import engine_module
from sim.modules.tester_control import outputs_of
from sim.vehicle.car import Car
from sim.vehicle.codes import CodeError, with_failure_type
from sim.vehicle.edit import EDIT_KINDS, Edit
from sim.vehicle.edits import EDIT_VERBS, parse_edit
from sim.vehicle.plain_words import FIRST_WORDS, in_form
from sim.vehicle.problems import EditProblem, did_you_mean, unknown
from sim.vehicle.words import UNITS_S

FORMS = __doc__.split("\n\n", 1)[1].rstrip()  # of every action, one a line, for who asks which there are
WAIT_UNITS = ("ms", "s", "min", "h")
LONGEST_WAIT_S = 24 * 3600.0
FOB_PLACES = {"away": "away", "in range": "in_range", "at button": "at_button"}
LONGEST_READ_S = 60.0
BY_HAND = ("wiggle", "heat", "freeze")
FASTEST_KPH, TOWN_KPH = 130, 30
TO_THE_LIGHTS = "to the lights"
KEY_POSITIONS = ("off", "accessory", "run", "crank")


@dataclass(frozen=True, slots=True)
class Action:
    """One action in normal form: its text, verb and arguments; or the edit or observation that it is.

    verb: the first word of its text; `edit` for an edit, `observe` for an observation. on: of a switch or
    the brake.
    """

    text: str
    verb: str
    argument: str = ""
    number: float = 0.0
    on: bool = False
    edit: Edit | None = field(default=None, repr=False)
    observation: Observation | None = field(default=None, repr=False)
    asked: Asked | None = field(default=None, repr=False)


def begins_an_action(word: str) -> bool:
    """Whether a word is one that sentences of actions begin with."""
    return word.lower() in (*_PARSERS, *EDIT_VERBS, *OBSERVATION_VERBS, *FIRST_WORDS)


def parse_action(text: str, car: Car) -> Action:
    """The action that a sentence means; raises `EditProblem` with the nearest right word."""
    text = in_form(text)
    words = text.split()
    if not words:
        raise EditProblem("an empty action")
    verb = words[0].lower()
    if verb in EDIT_VERBS:
        return _edit(text, car)
    if verb in OBSERVATION_VERBS:
        what = parse_observation(text, car)
        return Action(what.text, "observe", observation=what)
    if verb not in _PARSERS:
        known = [*_PARSERS, *EDIT_VERBS, *OBSERVATION_VERBS]
        hint = did_you_mean(verb, known) or f"; actions begin with: {', '.join(_usual_verbs())}, or a fault"
        raise EditProblem(f"no action begins with '{words[0]}'{hint}")
    return _PARSERS[verb](words[1:], car)


def _usual_verbs() -> Iterable[str]:
    """What people do at a car; faults are too many for an error sentence."""
    repairs = (verb for verb in EDIT_VERBS if EDIT_KINDS[verb].sort == "repair")
    return (*_PARSERS, *repairs, *OBSERVATION_VERBS)


def _edit(text: str, car: Car) -> Action:
    edit = parse_edit(text, car)
    return Action(edit.text, "edit", edit=edit)


def _press(words: list[str], car: Car) -> Action:
    if words not in (["start"], ["start", "with", "brake"]):
        raise EditProblem("write 'press start' or 'press start with brake'")
    _needs_switch(car, "button", "start button")
    return Action(f"press {' '.join(words)}", "press", "brake" if len(words) > 1 else "")


def _brake(words: list[str], car: Car) -> Action:
    if words not in (["on"], ["off"]):
        raise EditProblem("write 'brake on' or 'brake off'")
    _needs_switch(car, "brake", "brake switch")
    return Action(f"brake {words[0]}", "brake", on=words[0] == "on")


def _key(words: list[str], car: Car) -> Action:
    position = " ".join(words)
    if position not in KEY_POSITIONS:
        raise EditProblem(f"a key has no position '{position}'{did_you_mean(position, KEY_POSITIONS)}")
    _needs_switch(car, "key_run", "ignition key")
    return Action(f"key {position}", "key", position)


def _fob(words: list[str], car: Car) -> Action:
    place = " ".join(words)
    if place not in FOB_PLACES:
        raise EditProblem(f"a fob cannot be '{place}'{did_you_mean(place, FOB_PLACES)}")
    return Action(f"fob {place}", "fob", FOB_PLACES[place])


def _switch(words: list[str], car: Car) -> Action:
    if len(words) != 2 or words[1] not in ("on", "off"):
        raise EditProblem("write 'switch NAME on' or 'switch NAME off'")
    if words[0] not in car.built.switches:
        raise EditProblem(unknown("switch", words[0], car.built.switches))
    return Action(f"switch {words[0]} {words[1]}", "switch", words[0], on=words[1] == "on")


def _cable(words: list[str], car: Car) -> Action:
    if words not in (["in"], ["out"]):
        raise EditProblem("write 'cable in' or 'cable out'")
    if car.built.high_voltage is None or car.built.high_voltage.inlet is None:
        raise EditProblem("this car has no charge inlet")
    return Action(f"cable {words[0]}", "cable", on=words[0] == "in")


def _drive(words: list[str], car: Car) -> Action:
    if " ".join(words) == TO_THE_LIGHTS:
        _needs_switch(car, "brake", "brake switch")
        _needs_drive(car)
        return Action(f"drive {TO_THE_LIGHTS}", "drive", TO_THE_LIGHTS, TOWN_KPH)
    match = re.fullmatch(r"at([0-9]{1,3})km/h", "".join(words))
    if match is None or int(match[1]) > FASTEST_KPH:
        forms = f"'drive at 30 km/h', 0 to {FASTEST_KPH}, or 'drive {TO_THE_LIGHTS}'"
        raise EditProblem(f"write {forms} (here: 'drive {' '.join(words)}')")
    _needs_drive(car)
    return Action(f"drive at {int(match[1])} km/h", "drive", "", float(match[1]))


def _by_hand(verb: str) -> Callable[[list[str], Car], Action]:
    def parse(words: list[str], car: Car) -> Action:
        """Return the action of the words after its verb."""
        name = " ".join(words)
        if not is_place(name, car):
            raise EditProblem(unknown(f"part to {verb}", name, places(car)))
        return Action(f"{verb} {name}", verb, name)

    return parse


def _wait(words: list[str], car: Car) -> Action:
    joined = "".join(words)
    number = joined.rstrip("abcdefghijklmnopqrstuvwxyz")
    unit = joined[len(number) :] or "s"
    try:
        length_s = float(number) * UNITS_S[unit]
    except (ValueError, KeyError):
        length_s = None
    if length_s is None or unit not in WAIT_UNITS:
        raise EditProblem(f"'wait {' '.join(words)}' is not a time; write for example 'wait 10 s'")
    if not 0 < length_s <= LONGEST_WAIT_S:
        raise EditProblem(f"'wait' takes more than 0 and at most 24 h (here: {joined})")
    return Action(f"wait {float(number):g} {unit}", "wait", "", length_s)


def _ask(words: list[str], car: Car) -> Action:
    asked = parse_question(" ".join(words))
    answer = f": {asked.answer}" if asked.answer else ""
    return Action(f"ask {asked.question}{answer}", "ask", asked.question, asked=asked)


def _scan(words: list[str], car: Car) -> Action:
    if words:
        raise EditProblem(f"'scan' takes nothing more (here: '{' '.join(words)}')")
    return Action("scan", "scan")


def _save(words: list[str], car: Car) -> Action:
    name = " ".join(words)
    if not name or len(name) > 60:
        raise EditProblem("write 'save NAME' with a name of 1 to 60 characters")
    return Action(f"save {name}", "save", name)


def _clear(words: list[str], car: Car) -> Action:
    if not words:
        return Action("clear", "clear")
    return Action(f"clear {_module(words, car)}", "clear", words[0])


def _unlock(words: list[str], car: Car) -> Action:
    return Action(f"unlock {_module(words, car)}", "unlock", words[0])


def _identify(words: list[str], car: Car) -> Action:
    return Action(f"identify {_module(words, car)}", "identify", words[0])


def _read(words: list[str], car: Car) -> Action:
    name = _module(words[:1], car)
    if len(words) == 1:
        return Action(f"read {name}", "read", name)
    if words[1] != "for":
        raise EditProblem("write 'read MODULE' or 'read MODULE for 10 s'")
    wait = _wait(words[2:], car)
    if wait.number > LONGEST_READ_S:
        raise EditProblem(f"'read {name} for' takes at most {LONGEST_READ_S:g} s (here: {wait.number:g} s)")
    return Action(f"read {name} for {wait.text.removeprefix('wait ')}", "read", name, wait.number)


def _details(words: list[str], car: Car) -> Action:
    name = _module(words[:1], car)
    try:
        code = with_failure_type(" ".join(words[1:]).upper())
    except CodeError as problem:
        raise EditProblem(f"write 'details {name} P0562-00': {problem}") from None
    return Action(f"details {name} {code}", "details", f"{name} {code}")


def _readiness(words: list[str], car: Car) -> Action:
    if words:
        raise EditProblem(f"'readiness' takes nothing more (here: '{' '.join(words)}')")
    if engine_module(car.built) is None:
        raise EditProblem("this car has no engine module to ask for its monitors")
    return Action("readiness", "readiness")


def _faults(words: list[str], car: Car) -> Action:
    if words:
        raise EditProblem(f"'faults' takes nothing more (here: '{' '.join(words)}')")
    if not is_on_j1939(car):
        raise EditProblem("the diagnostic connector of this car is on no bus of SAE J1939; write 'scan'")
    return Action("faults", "faults")


def _actuate(words: list[str], car: Car) -> Action:
    if len(words) != 3 or words[2] not in ("on", "off"):
        raise EditProblem("write 'actuate MODULE OUTPUT on' or 'actuate MODULE OUTPUT off'")
    name, output = _module(words[:1], car), words[1]
    known = outputs_of(car, name)
    if not known:
        raise EditProblem(f"{name} has no outputs to switch")
    if output not in known:
        raise EditProblem(unknown("output", output, known))
    return Action(f"actuate {name} {output} {words[2]}", "actuate", f"{name} {output}", on=words[2] == "on")


def _release(words: list[str], car: Car) -> Action:
    return Action(f"release {_module(words, car)}", "release", words[0])


def _self_test(words: list[str], car: Car) -> Action:
    return Action(f"selftest {_module(words, car)}", "selftest", words[0])


def _module(words: list[str], car: Car) -> str:
    if len(words) == 1 and words[0] in car.built.modules and words[0] not in car.addresses:
        raise EditProblem(no_tester_address(car, words[0]))
    if len(words) != 1 or words[0] not in car.addresses:
        raise EditProblem(unknown("module", " ".join(words), car.addresses))
    return words[0]


def _battery(verb: str) -> Callable[[list[str], Car], Action]:
    def parse(words: list[str], car: Car) -> Action:
        """Return the action of the words after its verb."""
        if words != ["battery"]:
            raise EditProblem(f"write '{verb} battery'")
        return _edit("unplug BAT.NEG" if verb == "disconnect" else "plug BAT.NEG", car)

    return parse


def _needs_drive(car: Car) -> None:
    if car.built.engine is None and car.built.high_voltage is None:
        raise EditProblem("this car has no engine: it cannot be driven")


def _needs_switch(car: Car, operated_by: str, title: str) -> None:
    if not any(switch.operated_by == operated_by for switch in car.built.switches.values()):
        raise EditProblem(f"this car has no {title}")


_PARSERS: dict[str, Callable[[list[str], Car], Action]] = {
    "press": _press,
    "brake": _brake,
    "key": _key,
    "fob": _fob,
    "switch": _switch,
    "cable": _cable,
    "drive": _drive,
    "wiggle": _by_hand("wiggle"),
    "heat": _by_hand("heat"),
    "freeze": _by_hand("freeze"),
    "wait": _wait,
    "ask": _ask,
    "scan": _scan,
    "save": _save,
    "clear": _clear,
    "unlock": _unlock,
    "identify": _identify,
    "read": _read,
    "details": _details,
    "readiness": _readiness,
    "faults": _faults,
    "actuate": _actuate,
    "release": _release,
    "selftest": _self_test,
    "disconnect": _battery("disconnect"),
    "reconnect": _battery("reconnect"),
}

ACTION_VERBS = _PARSERS.keys()
