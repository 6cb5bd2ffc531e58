"""The codes that a module sets about itself: not coded, another car's, no calibration.

Which codes are common practice: U3000 `control module` with the failure type that says what is missing, U3002
(of the engine module P0630) for the VIN, and for a wrong coding the lost communication with a module that
its coding expects and this car does not have. Texts: SAE J2012 and J2012-DA, as in `sim.vehicle.codes`.

Not modeled: a code for software that does not fit; it shows in the identification only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.set_up import SetUp
from sim.modules.world import Host
from sim.vehicle.edits_set_up import CAR_VIN
from sim.vehicle.own_codes import NOT_CONFIGURED, OTHER_VIN_CODES, absent_role_code

MISSING_MESSAGE = "87"
NOTICED_S = 0.5  # from its start; our own choice


@dataclass(frozen=True, slots=True)
class _SelfTest:
    test: Maturing
    fails: Callable[[], bool]
    what: str


class SetUpMonitor:
    """Watches what is written into the module itself."""

    def __init__(self, host: Host, set_up: SetUp, faults: FaultRecorder, runs_engine: bool) -> None:
        self._host = host
        self._set_up = set_up
        self._faults = faults
        needs = host.spec.set_up
        own: list[_SelfTest] = []
        if "coding" in needs:
            own.append(self._own(NOT_CONFIGURED, lambda: set_up.is_blank, "coding", "it is not coded"))
            wrong = "its VIN is another car's"
            own.append(self._own(OTHER_VIN_CODES[runs_engine], self._is_foreign, "VIN", wrong))
            if absent := absent_role_code(host.world.car.built):
                lacks = "it gets no messages from a module that its coding expects"
                own.append(
                    self._own(f"{absent}-{MISSING_MESSAGE}", lambda: set_up.is_miscoded, "coding", lacks)
                )
        if "calibration" in needs:
            lacks = "its calibration is missing"
            code = host.spec.calibration_code
            own.append(self._own(code, lambda: not set_up.is_calibrated, "calibration", lacks))
        self._all = own
        self.tests = [one.test for one in own]

    def _own(self, code: str, fails: Callable[[], bool], what: str, words: str) -> _SelfTest:
        return _SelfTest(Maturing(self._faults, code, NOTICED_S, NOTICED_S, lambda: words), fails, what)

    def _is_foreign(self) -> bool:
        return self._set_up.vin not in ("", CAR_VIN)

    def update(self) -> None:
        """Judge it while the module runs."""
        if not self._host.sends:
            self.rest()
            return
        for one in self._all:
            one.test.judge(one.fails(), partial(self._causes, one.what))

    def _causes(self, what: str) -> tuple[int, ...]:
        event = self._set_up.edit_event(what)
        return () if event is None else (event,)

    def rest(self) -> None:
        """Nothing is tested any more."""
        for one in self._all:
            one.test.rest()
