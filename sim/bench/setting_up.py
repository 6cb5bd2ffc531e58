"""What a tester reads of a module's identity and writes into it, over the car's own wires.

Each job is a conversation by ISO 14229-1, request by request; the first that is not answered positively ends
it, and is what the technician is told. What comes of it is the module's doing (`sim.modules.programming`).

Not modeled: codings that a person chooses, software from a server, the stabilized supply for programming
(a battery that is too low is refused), a wait between two flashes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sim.bench.tester import Tester
from sim.modules import uds_client as asks
from sim.modules.programming import (
    BLOCK_BYTES,
    CALIBRATE_ROUTINE,
    CHECK_ROUTINE,
    ERASE_ROUTINE,
    IMAGE_BYTES,
    KEYS_ROUTINE,
    image_of,
)
from sim.modules.set_up import coding_of, part_number
from sim.modules.uds_data import CODING, MODULE_STATE, PART_NUMBER, SERIAL_NUMBER, SOFTWARE_VERSION, VIN
from sim.modules.uds_protocol import ResetType, RoutineControl, Session
from sim.modules.uds_responses import DataRead, NegativeResponse, NoResponse, PositiveResponse, Response
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.edits_set_up import CAR_VIN, SOFTWARE

RESET_S = 1.0  # what a module gets to start again; common practice


@dataclass(frozen=True, slots=True)
class IdentityRow:
    """One line of an identification: what it is, what the module says, and what this car needs ('': any)."""

    what: str
    says: str
    needs: str = ""

    @property
    def differs(self) -> bool:
        """Does the module say something else than this car needs?"""
        return bool(self.needs) and self.says != self.needs


@dataclass(frozen=True, slots=True)
class Identification:
    """What a module says it is. `rows` is empty, and `refusal` says why, where it does not say it."""

    module: str
    time_s: float
    rows: tuple[IdentityRow, ...] = ()
    refusal: str = ""

    @property
    def words(self) -> str:
        """One sentence, with what does not fit this car."""
        if not self.rows:
            return f"{self.module}: {self.refusal}"
        told = [f"{row.what} {row.says}" + (f" (needs {row.needs})" * row.differs) for row in self.rows]
        return f"{self.module}: {', '.join(told)}"


def identify(tester: Tester, name: str, car: Car) -> Identification:
    """Read what a module says it is. car: as it should be."""
    wanted = {
        VIN: CAR_VIN,
        PART_NUMBER: part_number(name),
        SERIAL_NUMBER: "",
        SOFTWARE_VERSION: SOFTWARE,
        CODING: coding_of(car).hex().upper() if "coding" in car.built.modules[name].set_up else "",
        MODULE_STATE: "",
    }
    titles = {VIN: "VIN", PART_NUMBER: "part", SERIAL_NUMBER: "serial", SOFTWARE_VERSION: "software"}
    rows = []
    if not tester.begin(f"identifies {name}"):
        return Identification(name, tester.now_s, refusal="the tester has no power")
    for identifier, needs in wanted.items():
        if identifier is CODING and not needs:
            continue
        response = tester.ask(name, asks.read_data_by_identifier(identifier.number))
        if not isinstance(response, DataRead):
            tester.end()
            return Identification(name, tester.now_s, refusal=refusal_of(response))
        rows.append(IdentityRow(titles.get(identifier, identifier.name), str(response.value), needs))
    tester.end()
    return Identification(name, tester.now_s, tuple(rows))


def refusal_of(response: Response) -> str:
    """Why a request was not done: in words, then the bytes."""
    match response:
        case NegativeResponse():
            return f"{response.text} ({response.bytes_text})"
        case NoResponse():
            return "no answer"
    return "an invalid response"


def set_up(tester: Tester, edit: Edit, car: Car) -> dict[str, Response]:
    """Do the work of an edit that is done with a tester; the last response of each module asked."""
    name = edit.part
    if not tester.begin(f"begins: {edit.text}"):
        return {name: NoResponse(name)}
    try:
        return _JOBS[edit.verb](tester, name, car)
    finally:
        tester.end()


def _code(tester: Tester, name: str, car: Car) -> dict[str, Response]:
    requests = [
        asks.write_data_by_identifier(VIN.number, CAR_VIN.encode()),
        asks.write_data_by_identifier(CODING.number, coding_of(car)),
        asks.ecu_reset(ResetType.HARD),
    ]
    return _written(tester, name, requests)


def _calibrate(tester: Tester, name: str, car: Car) -> dict[str, Response]:
    return _written(tester, name, [asks.routine_control(RoutineControl.START, CALIBRATE_ROUTINE)])


def _match(tester: Tester, name: str, car: Car) -> dict[str, Response]:
    """The authority gives out a token, which the engine's module takes."""
    immobilizer = car.built.immobilizer
    assert immobilizer is not None  # what this verb needs
    start = asks.routine_control(RoutineControl.START, KEYS_ROUTINE)
    found = _written(tester, immobilizer.authority, [start])
    given = found[immobilizer.authority]
    if not isinstance(given, PositiveResponse):
        return found
    return found | _written(tester, immobilizer.engine, [start + given.data[3:]])


def _flash(tester: Tester, name: str, car: Car) -> dict[str, Response]:
    """With the codes of all modules held still meanwhile, as a tester does."""
    image = image_of(part_number(name), SOFTWARE)
    blocks = [image[at : at + BLOCK_BYTES] for at in range(0, IMAGE_BYTES, BLOCK_BYTES)]
    requests = [
        asks.routine_control(RoutineControl.START, ERASE_ROUTINE),
        asks.request_download(0, IMAGE_BYTES),
        *(asks.transfer_data(place, block) for place, block in enumerate(blocks, start=1)),
        asks.request_transfer_exit(),
        asks.routine_control(RoutineControl.START, CHECK_ROUTINE),
        asks.ecu_reset(ResetType.HARD),
    ]
    tester.hold_codes(True)
    found = _written(tester, name, requests, Session.PROGRAMMING)
    tester.hold_codes(False)
    return found


def _written(
    tester: Tester, name: str, requests: list[bytes], session: Session = Session.EXTENDED
) -> dict[str, Response]:
    """Security access and then these requests, up to the first that is not done."""
    response = tester.unlock_in(name, session)
    for request in requests:
        if not isinstance(response, PositiveResponse):
            break
        response = tester.ask(name, request)
    if isinstance(response, PositiveResponse):
        tester.wait(RESET_S)
    return {name: response}


_JOBS: dict[str, Callable[[Tester, str, Car], dict[str, Response]]] = {
    "code": _code,
    "calibrate": _calibrate,
    "match": _match,
    "flash": _flash,
}
