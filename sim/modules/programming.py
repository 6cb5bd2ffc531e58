"""Writing into a module by ISO 14229-1: VIN, coding (2E); calibration, keys (31); software (34, 36, 37).

All of it needs security access, in a session other than the default one; software the programming session.
Erasing (routine FF00) leaves a boot loader only, until a whole image has come and is checked (routine FF01):
a supply that is lost in between leaves a module in boot mode. Identifiers and routines are our own, but for
F190 (VIN), FF00 (erase memory) and FF01 (check programming dependencies): ISO 14229-1, from memory.

Not modeled: the size and duration of a real image (256 bytes here; labor time counts), compression and
encryption, signatures, dependencies between modules, a fingerprint of who has written.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from sim.modules.facts import Known
from sim.modules.set_up import SetUp, coding_of, part_number
from sim.modules.uds_data import CODING, VIN
from sim.modules.uds_protocol import (
    NegativeResponseCode,
    RequestRejected,
    RoutineControl,
    Service,
    Session,
    require,
    require_length,
)
from sim.modules.uds_server import DiagnosticAction
from sim.modules.world import Host
from sim.vehicle.edits_set_up import CAR_VIN, SOFTWARE

CALIBRATE_ROUTINE: Final = 0x0203
KEYS_ROUTINE: Final = 0x0204
ERASE_ROUTINE: Final = 0xFF00
CHECK_ROUTINE: Final = 0xFF01
CALIBRATE_S: Final = 2.0  # as long as these routines need; our own choice
ERASE_S: Final = 1.0
LEAST_SUPPLY_V: Final = 11.5  # for programming; below it a charger is connected first; common practice
TOKEN_BYTES: Final = 4
BLOCK_BYTES: Final = 128
IMAGE_BYTES: Final = 256
HEADER_BYTES: Final = 32
WHOLE, NOT_WHOLE = b"\x00", b"\x01"
_VIN: Final = re.compile(rb"[A-HJ-NPR-Z0-9]{17}")  # ISO 3779: no I, O, Q


@dataclass
class _Transfer:
    size: int
    data: bytes = b""
    counter: int = 1


class Programming:
    """What a tester can write into one module. session: that of its server, for the software's services."""

    def __init__(self, host: Host, set_up: SetUp, value: Callable[[str], Known]) -> None:
        self.session: Callable[[], Session] = lambda: Session.DEFAULT
        self._host = host
        self._set_up = set_up
        self._value = value
        self._transfer: _Transfer | None = None
        self._received = b""
        self._calibrating = False

    def reset(self) -> None:
        """Supply lost, or a reset: what had come so far is gone."""
        self._transfer = None
        self._received = b""
        self._calibrating = False

    def handlers(self) -> Mapping[int, Callable[[bytes], bytes]]:
        """The services of writing; all are refused while the module is locked."""
        return {
            Service.WRITE_DATA_BY_IDENTIFIER: self._write,
            Service.REQUEST_DOWNLOAD: self._request_download,
            Service.TRANSFER_DATA: self._transfer_data,
            Service.REQUEST_TRANSFER_EXIT: self._transfer_exit,
        }

    def routines(self) -> dict[int, DiagnosticAction]:
        """The routines of writing that this module has."""
        found = {
            ERASE_ROUTINE: DiagnosticAction(self._erase, locked=True, takes_s=ERASE_S),
            CHECK_ROUTINE: DiagnosticAction(self._check, locked=True),
        }
        needs = self._host.spec.set_up
        if "calibration" in needs:
            found[CALIBRATE_ROUTINE] = DiagnosticAction(self._calibrate, locked=True, takes_s=CALIBRATE_S)
        if "keys" in needs:
            found[KEYS_ROUTINE] = DiagnosticAction(self._match, locked=True)
        return found

    # -- coding ----------------------------------------------------------------------------------------

    def _write(self, body: bytes) -> bytes:
        require_length(len(body) > 2)
        number, data = int.from_bytes(body[:2], "big"), body[2:]
        writable = "coding" in self._host.spec.set_up and number in (VIN.number, CODING.number)
        require(writable, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        if number == VIN.number:
            self._write_vin(data)
        else:
            require_length(len(data) == CODING.size)
            require(data == coding_of(self._host.world.car), NegativeResponseCode.REQUEST_OUT_OF_RANGE)
            self._store("codings", None, "is coded for this car")
        return body[:2]

    def _write_vin(self, data: bytes) -> None:
        require_length(len(data) == VIN.size)
        require(_VIN.fullmatch(data) is not None, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        vin = data.decode()
        self._store("vins", None if vin == CAR_VIN else vin, f"is given the VIN {vin}")

    # -- calibration and keys --------------------------------------------------------------------------

    def _calibrate(self, kind: int, data: bytes) -> bytes | None:
        if data or kind == RoutineControl.STOP or self._set_up.is_blank:
            return None
        if kind == RoutineControl.START:
            self._calibrating = self._host.world.speed_kph.value == 0
        if not self._calibrating:
            return None
        if kind == RoutineControl.REQUEST_RESULTS:
            self._store("uncalibrated", None, "is calibrated")
        return WHOLE

    def _match(self, kind: int, data: bytes) -> bytes | None:
        """The authority, with a fob at hand, gives out a token; the engine's module takes it."""
        immobilizer, world = self._host.world.car.built.immobilizer, self._host.world
        if kind != RoutineControl.START or immobilizer is None or self._set_up.is_blank:
            return None
        if self._host.name == immobilizer.authority:
            require_length(not data)
            return None if world.fob.value == "away" else sha256(f"keys {world.seed}".encode()).digest()[:4]
        require_length(len(data) == TOKEN_BYTES)
        for end in (immobilizer.authority, immobilizer.engine):
            self._store("unmatched", None, f"and the immobilizer's other end share a new secret ({end})", end)
        return WHOLE

    # -- software --------------------------------------------------------------------------------------

    def _needs_programming_session(self) -> None:
        there = self.session() == Session.PROGRAMMING
        require(there, NegativeResponseCode.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION)

    def _erase(self, kind: int, data: bytes) -> bytes | None:
        if self.session() != Session.PROGRAMMING or kind == RoutineControl.STOP or data:
            return None
        if kind == RoutineControl.START:
            require(self._host.supply_v >= LEAST_SUPPLY_V, NegativeResponseCode.VOLTAGE_TOO_LOW)
            self.reset()
            self._store("half_flashed", True, "erases its software")
        return WHOLE

    def _request_download(self, body: bytes) -> bytes:
        self._needs_programming_session()
        require_length(len(body) == 10 and body[1] == 0x44)  # four bytes of address, four of size
        erased = self._set_up.half_flashed
        require(erased, NegativeResponseCode.UPLOAD_DOWNLOAD_NOT_ACCEPTED)
        size = int.from_bytes(body[6:], "big")
        require(size == IMAGE_BYTES, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        self._transfer = _Transfer(size)
        return b"\x20" + (BLOCK_BYTES + 2).to_bytes(2, "big")

    def _transfer_data(self, body: bytes) -> bytes:
        self._needs_programming_session()
        require_length(1 < len(body) <= BLOCK_BYTES + 1)
        transfer = self._running()
        require(body[0] == transfer.counter, NegativeResponseCode.WRONG_BLOCK_SEQUENCE_COUNTER)
        fits = len(transfer.data) + len(body) - 1 <= transfer.size
        require(fits, NegativeResponseCode.TRANSFER_DATA_SUSPENDED)
        transfer.data += body[1:]
        transfer.counter = (transfer.counter + 1) % 256
        return body[:1]

    def _transfer_exit(self, body: bytes) -> bytes:
        self._needs_programming_session()
        require_length(not body)
        transfer = self._running()
        require(len(transfer.data) == transfer.size, NegativeResponseCode.REQUEST_SEQUENCE_ERROR)
        self._received, self._transfer = transfer.data, None
        return b""

    def _running(self) -> _Transfer:
        if self._transfer is None:
            raise RequestRejected(NegativeResponseCode.REQUEST_SEQUENCE_ERROR)
        return self._transfer

    def _check(self, kind: int, data: bytes) -> bytes | None:
        if self.session() != Session.PROGRAMMING or kind != RoutineControl.START or data:
            return None
        version = version_of(self._received, part_number(self._host.name))
        if version is None:
            return NOT_WHOLE
        self._store("software", None if version == SOFTWARE else version, f"has software version {version}")
        self._store("half_flashed", None, "has complete software")
        return WHOLE

    def _store(self, field: str, value: object, words: str, module: str = "") -> None:
        world, name = self._host.world, self._host.name
        world.surroundings.write(field, module or name, value, f"{name} {words}")


def image_of(part: str, version: str) -> bytes:
    """The software of a spare part in a version: its name, and bytes that follow from it."""
    header = f"{part}:{version}".encode("ascii").ljust(HEADER_BYTES, b"\x00")[:HEADER_BYTES]
    body = b"".join(sha256(header + bytes([place])).digest() for place in range(IMAGE_BYTES // HEADER_BYTES))
    return header + body[: IMAGE_BYTES - HEADER_BYTES]


def version_of(image: bytes, part: str) -> str | None:
    """The version of an image that is whole and made for a spare part; None for any other."""
    named, _, version = image[:HEADER_BYTES].rstrip(b"\x00").decode("ascii", "replace").partition(":")
    whole = named == part and image == image_of(part, version)
    return version if whole else None
