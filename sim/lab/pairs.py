"""What two faults do together, without a run where that follows from what each does alone.

Each fault has been run alone (`sim.lab.footprint`). For two of them together it follows that

    no        they contradict what was seen: a module that answered is dead with one of them, and no further
              opening brings it back; or a module that was silent is silenced by neither, and where the two
              do not meet it is not by both; or where only one of them has a say, it contradicts
    as alone  they do what one of them does alone: where the other has opened a circuit no current flows,
              in any state that the run passes through; or what they do has nothing in common

and where nothing follows, a run must tell. That one contradicts what was seen is never enough: the other may
hide it. So whatever both touch, and what listens to it, is left open here.

Not modeled: effects through the battery's voltage too small for `sim.lab.footprint` to count.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sim.bench.observations import is_observation
from sim.lab.case import CaseStep
from sim.lab.compare import compared
from sim.lab.footprint import Footprint
from sim.lab.reach import ways_to
from sim.lab.sight import Sight, ThingKind
from sim.vehicle.car import Car
from sim.vehicle.edit import Theory
from sim.vehicle.edits import EDIT_VERBS, verb_of
from sim.vehicle.elements import TESTER
from sim.wiring.conduction import SwitchState

OF_A_MODULE = (ThingKind.MODULE, ThingKind.CODE)
Silence = tuple[int, str]  # number of the step, the module
AGREES = 0  # steps are counted from 1


class Cell(NamedTuple):
    """What was looked at in a step, and the module or lamp that it is about."""

    step: int
    what: str
    kind: ThingKind = ThingKind.OTHER
    name: str = ""

    @property
    def module(self) -> str:
        """The module that answers or holds the code; empty for other things."""
        return self.name if self.kind in OF_A_MODULE else ""


@dataclass(frozen=True)
class Alone:
    """One fault alone: its footprint, the elements that it opens (None: it does more than open), the bus
    lines that it touches, and what was looked at: what differs from the usual car, what contradicts, and who
    is silent in a scan. `parts`: the parts that it is at, as far as they were looked at.
    """

    mark: Footprint
    opens: frozenset[str] | None
    lines: frozenset[str]
    differs: frozenset[Cell]
    contradicts: frozenset[Cell]
    silent: frozenset[Silence]
    parts: frozenset[str] = frozenset()

    @property
    def first_contradiction(self) -> int:
        """The first step that this fault alone contradicts, from 1; `AGREES` where none does."""
        return min((cell.step for cell in self.contradicts), default=AGREES)


@dataclass(frozen=True)
class Scanned:
    """A scan: the number of its step, who answered, and who did not although nothing but a fault keeps it
    from that; the switches of the usual car meanwhile.
    """

    step: int
    answered: frozenset[str]
    silent: frozenset[str]
    state: SwitchState


class Pairs:
    """Judges pairs of faults, each known alone, against what was seen."""

    def __init__(self, car: Car, steps: Sequence[CaseStep], usual: Footprint) -> None:
        self._car, self._steps = car, tuple(steps)
        self._lamps = _lamps(car)
        self._listeners = _listeners(car)
        self._leaders = _leaders(car)
        self._usual = _looked_at(self._steps, usual.account.sights)
        self._usual_bad = frozenset(cell for cell, (_, bad) in self._usual.items() if bad)
        self.answered = frozenset(name for step in steps for name in answered(step))
        self.scanned = self._last_scan(usual)
        self._inspected = frozenset(
            word for step in steps for text in step.do if verb_of(text) == "look" for word in text.split()[1:]
        )

    def alone(
        self,
        mark: Footprint,
        opens: frozenset[str] | None,
        lines: frozenset[str],
        parts: frozenset[str] = frozenset(),
    ) -> Alone:
        """What is to be known about one fault. `parts`: those that it is at."""
        told = _looked_at(self._steps, mark.account.sights)
        cells = told.keys() | self._usual.keys()
        differs = frozenset(c for c in cells if told.get(c, ("", False)) != self._usual.get(c, ("", False)))
        bad = frozenset(cell for cell, (_, contradicts) in told.items() if contradicts)
        silent = _silent(self._steps, mark.account.sights)
        return Alone(mark, opens, lines, differs, bad, silent, parts & self._inspected)

    def first_contradiction(self, a: Alone, b: Alone) -> int | None:
        """The step, from 1, at which both together contradict what was seen; `AGREES`, or None: run it."""
        if not a.mark.account.sights or not b.mark.account.sights:
            return None
        for one, other in ((a, b), (b, a)):
            if other.opens is not None and one.mark.dead & self.answered:
                return self._silenced_at(one.mark.dead)
        if a.parts & b.parts:  # with a plug off the eye sees what is wrong with its terminals
            return None
        for one, other in ((a, b), (b, a)):
            idle = other.opens is not None and not other.opens & one.mark.carrying
            if idle and not other.lines and not any(map(_is_observation, other.differs)):
                return one.first_contradiction
        if a.lines & b.lines or self._meet(a, b) or self._meet(b, a):
            return None
        if self.scanned and self.unsilenced(a, b):
            return self.scanned.step
        open_ones = self._open(a, b)
        both = a.differs & b.differs
        bad = (a.contradicts & (a.differs - both)) | (b.contradicts & (b.differs - both))
        bad |= (self._usual_bad - a.differs - b.differs) | (both & a.contradicts & b.contradicts)
        hidden = {cell for cell in bad if (cell.step, cell.module) in a.silent ^ b.silent}
        known = [cell.step for cell in bad - hidden if self._is_known(cell, open_ones)]
        if known:
            return min(known)
        return None if open_ones.told or both or hidden else AGREES

    def with_theory(self, fault: Alone, theory: Theory, alone: Alone) -> int | None:
        """The same for a fault and a theory; None where one may have to do with the other."""
        if fault.lines and theory.relation in ("waits for", "shuts down when"):
            return None  # it may hear less than a car without the theory needs it to
        if fault.mark.touched & self._bound_by(theory) or {theory.subject} & (
            fault.opens or {theory.subject}
        ):
            return None
        return self.first_contradiction(fault, alone)

    def _bound_by(self, theory: Theory) -> frozenset[str]:
        """The modules that a theory is about, whatever leads to them, and all that its fuses feed."""
        about = {theory.subject, theory.end.part, *theory.about}
        if theory.relation == "feeds":
            for spec in self._car.built.fuses.values():
                fed = {end.part for end in spec.ends}
                about |= fed if fed & about or spec is self._car.built.fuses.get(theory.subject) else set()
        return frozenset(about).union(*({name} for name, led in self._leaders.items() if led & about))

    def unsilenced(self, *parts: Alone) -> frozenset[str]:
        """Who was silent in the scan although none of these faults alone would make it so."""
        if self.scanned is None:
            return frozenset()
        silenced = {name for part in parts for number, name in part.silent if number == self.scanned.step}
        return self.scanned.silent - silenced

    def _last_scan(self, usual: Footprint) -> Scanned | None:
        """The last scan before work on the car: the wiring is still what it was given."""
        usually = _silent(self._steps, usual.account.sights)
        scans = []
        for number, step in enumerate(self._steps, start=1):
            if any(verb_of(text) in EDIT_VERBS for text in step.do):
                break
            silent = {name for name in step.seen.silent if (number, name) not in usually}
            if usual.asked and (step.seen.answers or silent):
                answers = frozenset(step.seen.answers)
                scans.append(Scanned(number, answers, frozenset(silent - self._waiting()), usual.asked))
        return scans[-1] if scans else None

    def _waiting(self) -> frozenset[str]:
        """Modules that wait for others at their start, and those whom they lead to."""
        waiting = {name for name, spec in self._car.built.modules.items() if spec.waits_for}
        return frozenset(waiting).union(*(self._leaders.get(name, frozenset()) for name in waiting))

    def _silenced_at(self, dead: frozenset[str]) -> int:
        return next(number for number, step in enumerate(self._steps, start=1) if dead & answered(step))

    def _open(self, a: Alone, b: Alone) -> _Unknown:
        """Modules about which nothing follows, because both faults have a say."""
        joint = a.mark.touched & b.mark.touched
        turned = joint & (a.mark.changed | b.mark.changed)
        either = a.mark.touched | b.mark.touched
        told, silent = set(joint), set(joint)
        for name in turned:
            told |= self._listeners.get(name, either)
            silent |= self._leaders.get(name, frozenset()) if name in self._listeners else either
        return _Unknown(frozenset(silent), frozenset(told | silent))

    def _meet(self, a: Alone, b: Alone) -> bool:
        """Does one change the current where the other is?"""
        return bool(a.mark.moved & (b.mark.moved if b.opens is None else b.opens))

    def _is_known(self, cell: Cell, open_ones: _Unknown) -> bool:
        if verb_of(cell.what) == "look":  # the eye sees parts, whatever modules do
            return True
        if cell.kind is ThingKind.MODULE:
            return cell.module not in open_ones.silent
        if cell.kind is ThingKind.CODE:
            return cell.module not in open_ones.told
        if cell.kind is ThingKind.LAMP:
            return not self._lamps[cell.name] & open_ones.told
        return not open_ones.told  # everything has a say


@dataclass(frozen=True)
class _Unknown:
    """Of whom it is open whether they answer, and what they tell."""

    silent: frozenset[str]
    told: frozenset[str]


def answered(step: CaseStep) -> frozenset[str]:
    """Modules that must have had supply for this to be seen."""
    seen = step.seen
    spoke = (*seen.answers, *(code.module for code in (*seen.codes, *seen.no_codes)), *seen.done)
    return frozenset([*spoke, TESTER] if spoke or seen.tester_power else [])


def _looked_at(steps: Iterable[CaseStep], sights: Sequence[Sight]) -> dict[Cell, tuple[str, bool]]:
    """Everything that was looked at: what this run says there, and whether that contradicts."""
    found: dict[Cell, tuple[str, bool]] = {}
    left = list(sights)
    for number, step in enumerate(steps, start=1):
        mine, left = left[: len(step.do)], left[len(step.do) :]
        for one in compared(step.seen, mine) if mine else ():
            cell = Cell(number, one.what, one.kind, one.name)
            before, wrong = found.get(cell, ("", False))  # the engine is looked at in two ways
            found[cell] = f"{before};{one.says}", wrong or one.contradicts
    return found


def _silent(steps: Iterable[CaseStep], sights: Sequence[Sight]) -> frozenset[Silence]:
    """Modules that did not answer, scan by scan; their codes could not be seen either."""
    found: list[Silence] = []
    left = list(sights)
    for number, step in enumerate(steps, start=1):
        mine, left = left[: len(step.do)], left[len(step.do) :]
        found += [(number, name) for sight in mine[-1:] for name in sight.silent]
    return frozenset(found)


def _is_observation(cell: Cell) -> bool:
    return is_observation(cell.what)


def _lamps(car: Car) -> Mapping[str, frozenset[str]]:
    """Per telltale, the modules that light it."""
    lamps: dict[str, set[str]] = {}
    for name, module in car.built.modules.items():
        for lamp in module.telltales:
            lamps.setdefault(lamp, set()).add(name)
    return {lamp: frozenset(names) for lamp, names in lamps.items()}


def _listeners(car: Car) -> dict[str, frozenset[str]]:
    """Per module, those that need its messages; of a gateway and the power-mode master, all modules."""
    found: dict[str, set[str]] = {name: set() for name in car.built.modules}
    for receiver, messages in car.messages.needs.items():
        for message in messages:
            found[car.messages.sent[message].sender].add(receiver)
    everybody = frozenset(car.built.modules)
    return {name: frozenset(heard) for name, heard in found.items()} | dict.fromkeys(_leaders(car), everybody)


def _leaders(car: Car) -> dict[str, frozenset[str]]:
    """Modules that a gateway leads to; of the power-mode master, all modules."""
    led: dict[str, set[str]] = {name: set() for name, spec in car.built.modules.items() if spec.gateway}
    for name, way in ways_to(car).items():
        for _, there in way[:-1]:
            led.setdefault(car.transceivers[there].module, set()).add(name)
    master = car.built.power_modes.master if car.built.power_modes else None
    found = {name: frozenset(names) for name, names in led.items()}
    return found | ({master: frozenset(car.built.modules)} if master else {})
