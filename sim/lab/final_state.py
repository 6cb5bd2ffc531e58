"""The final state of a car after a run, and what looks and measurements would show on it.

    account, readings = run_and_look(trial, ["look F20", "measure volts F20.2 to BAT-"])
    readings = look_again(replace(trial, given=("open AIRBAG.C1.1",)), final_state, observations)

No time passes for these observations, so every reading is the one that would be taken first. The
final state is known without a run where another edit makes the same car by structure, or adds nothing to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from functools import cached_property

from pydantic import TypeAdapter

from sim.bench.live import LiveCar
from sim.bench.observations import parse_observation
from sim.bench.observing import GATE_S, Observed
from sim.bench.pulses import PulseTrain
from sim.instruments.levels import channels_at, now
from sim.instruments.read import shown
from sim.lab.run import ImpossibleCar, Shown, Trial, bench_of, content_key, follow, reading_of, sight_of
from sim.lab.sight import Account
from sim.network.streams import Stream
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState
from sim.wiring.linear import factors_kept
from sim.wiring.wiring import Wiring


@dataclass(frozen=True, slots=True)
class FinalState:
    """The switches of a car, the fuses that have blown since it was given, and its sensors' signals."""

    state: SwitchState
    blown: frozenset[str] = frozenset()
    trains: tuple[PulseTrain, ...] = ()


READINGS = TypeAdapter(list[Shown])  # as text and back, for `Workshop.recalled`


def final_state_of(live: LiveCar, trial: Trial) -> FinalState | None:
    """The car's final state after a run; None if more than a fuse has changed since it was given."""
    before, after = given_car(trial).harness, live.car.harness
    if replace(after, blown=before.blown) != before:
        return None
    return FinalState(live.switch_state(), after.blown - before.blown, live.pulse_trains())


def given_car(trial: Trial) -> Car:
    """The car of a run before anything happens."""
    return apply_all(car_from_text(trial.vehicle), trial.given)


def run_and_look(trial: Trial, observations: Sequence[str]) -> tuple[Account, list[Shown]]:
    """A run, and what each observation shows at its end; nothing where there is no such car."""
    try:
        bench = bench_of(trial)
    except ImpossibleCar as problem:
        return Account((), str(problem)), []
    sights = tuple(sight_of(bench, action) for action in trial.actions)
    return Account(sights), _looked(trial, bench.car, *_ended(bench.live), observations)


def look_again(trial: Trial, final_state: FinalState, observations: Sequence[str]) -> list[Shown]:
    """What each observation shows at the end of a run that needs not be made."""
    car = given_car(trial)
    car = car.with_harness(blown=car.harness.blown | final_state.blown)
    return _looked(trial, car, final_state.state, final_state.trains, observations)


def looked_text(look: tuple[Trial, FinalState | None, tuple[str, ...]]) -> str:
    """What the observations show, as text for `Workshop.recalled`; with a run where nothing else is known."""
    trial, final_state, observations = look
    found = (
        look_again(trial, final_state, observations) if final_state else run_and_look(trial, observations)[1]
    )
    return READINGS.dump_json(found).decode()


def looked_key(trial: Trial, observations: Sequence[str]) -> str:
    """A name for everything that it depends on."""
    return content_key("looked", astuple(trial), list(observations))


def _ended(live: LiveCar) -> tuple[SwitchState, tuple[PulseTrain, ...]]:
    return live.switch_state(), live.pulse_trains()


def _looked(
    trial: Trial,
    car: Car,
    state: SwitchState,
    trains: tuple[PulseTrain, ...],
    observations: Sequence[str],
) -> list[Shown]:
    """What lies on a data line takes the frames that run there: those are looked at in a run."""
    still = _Still(car, state, trains)
    with factors_kept():
        known = {text: one for text in observations if (one := still.shows(text)) is not None}
    on_lines = tuple(text for text in observations if text not in known)
    if on_lines:
        sights = list(follow(replace(trial, actions=(*trial.actions, *on_lines))))[-len(on_lines) :]
        known |= {
            text: Shown(one.display or one.refused, one.reading, one.doubtful)
            for text, one in zip(on_lines, sights, strict=True)
        }
    return [known[text] for text in observations]


class _Still:
    """All that an instrument asks a bench for, of a car to which nothing happens."""

    observed: Observed | None = None
    seed, now_s, tester_active = 0, 0.0, False

    def __init__(self, car: Car, state: SwitchState, trains: tuple[PulseTrain, ...]) -> None:
        self.car, self._state, self._trains = car, state, trains
        self.live = self

    def shows(self, text: str) -> Shown | None:
        """What an observation shows; None where it takes the frames on a line."""
        try:
            what = parse_observation(text, self.car)
            self.observed = Observed(what, 0.0, GATE_S, (), frame_fidelity=False)
            if self.car.lin and what.kind != "look" and channels_at(now(self), *what.points):
                return None
            return reading_of(shown(self))
        except EditProblem:
            return None

    def pulse_trains(self) -> tuple[PulseTrain, ...]:
        """The signals of its sensors."""
        return self._trains

    def switch_state(self) -> SwitchState:
        """The state of the switches in the end."""
        return self._state

    def streams_running(self) -> tuple[Stream, ...]:
        """None: no frames exist here, and a scope refuses before it asks."""
        return ()

    def lone_senders(self) -> tuple[str, ...]:
        """None, likewise."""
        return ()

    @cached_property
    def wiring(self) -> Wiring:
        """The network of this car."""
        return Wiring(self.car)
