"""Trouble codes: the two or three bytes on the bus, the text a technician reads, and what it means.

A code is two bytes (letter, digit 0..3, three hexadecimal digits) plus, in ISO 14229-1 answers, a
failure type byte: `C1 00 87` is `U0100-87`, "Lost Communication With ECM/PCM "A"", "Missing Message".
The texts are in `sim.vehicle.code_tables`.
"""

import re
from collections.abc import Mapping
from difflib import get_close_matches
from functools import lru_cache
from typing import Final

from sim.vehicle.code_tables import BUSES, CODE_TABLES, FAILURE_TYPES, MODULE_ROLES, ModuleRole

_LETTERS: Final = "PCBU"  # top two bits, ISO 15031-6 / SAE J2012, as given by the open package `uds`
NO_TEXTS: Final[Mapping[str, str]] = {}
_CODE: Final = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?")


class CodeError(ValueError):
    """A trouble code, or the name of a module, that cannot be understood."""


def dtc_text(data: bytes) -> str:
    """Text of a code: 2 bytes give `P0143`, 3 bytes give `U0100-87`.

    Raises CodeError for any other length.
    """
    if len(data) not in (2, 3):
        raise CodeError(f"a trouble code has 2 or 3 bytes, not {len(data)}")
    base = f"{_LETTERS[data[0] >> 6]}{data[0] >> 4 & 3}{data[0] & 15:X}{data[1]:02X}"
    return base if len(data) == 2 else f"{base}-{data[2]:02X}"


@lru_cache(maxsize=4096)  # every module declares its codes anew in every run
def dtc_bytes(text: str) -> bytes:
    """Bytes of a code: `P0143` gives 2 bytes, `U0100-87` gives 3. Raises CodeError."""
    match = _CODE.fullmatch(text.strip().upper())
    if match is None:
        raise CodeError(
            f'"{text}" is not a trouble code: a letter P, C, B or U, a digit 0 to 3, three hexadecimal '
            "digits, and optionally - and two hexadecimal digits, such as U0100 or U0100-87"
        )
    letter, digit, digits, failure_type = match.groups()
    high = _LETTERS.index(letter) << 6 | int(digit) << 4 | int(digits[0], 16)
    return bytes([high, int(digits[1:], 16)]) + bytes.fromhex(failure_type or "")


@lru_cache(maxsize=4096)
def with_failure_type(text: str) -> str:
    """The code as ISO 14229-1 carries it: `u0100` gives `U0100-00`. Raises CodeError."""
    data = dtc_bytes(text)
    return dtc_text(data.ljust(3, b"\x00"))


def is_manufacturer_specific(text: str) -> bool:
    """Whether the vehicle's maker, not SAE or ISO, says what the code means (ranges: from memory)."""
    return dtc_text(dtc_bytes(text)[:2])[:2] in {"P1", "B1", "B2", "C1", "C2", "U1", "U2"}


@lru_cache(maxsize=4096)
def is_emission_related(text: str) -> bool:
    """Whether a code asks for the engine lamp and is told by the services of SAE J1979.

    A generic powertrain code, or one of the network group about a powertrain module (lost communication
    U0100 to U0120, invalid data U0401 to U0414). Common practice: which codes a car's certification counts
    is its maker's matter; the ranges are from memory. Raises CodeError.
    """
    number = int.from_bytes(dtc_bytes(text)[:2], "big")
    powertrain = number >> 14 == _LETTERS.index("P") and not is_manufacturer_specific(text)
    return powertrain or 0xC100 <= number <= 0xC120 or 0xC401 <= number <= 0xC414


def code_description(text: str) -> str:
    """What a code says, without its failure type; a plain sentence if the tables have no text.

    Raises CodeError if `text` is no trouble code.
    """
    base = dtc_text(dtc_bytes(text)[:2])
    if base in _DESCRIPTIONS:
        return _DESCRIPTIONS[base]
    if is_manufacturer_specific(base):
        return "Manufacturer-specific code: see the maker's service information"
    return "Generic code without a text in this table"


def failure_type_name(failure_type: int) -> str:
    """Name of a failure type byte (0..255), for instance 0x87 `Missing Message`."""
    return FAILURE_TYPES.get(failure_type, f"Failure Type {failure_type:02X}")


def full_description(text: str, own: Mapping[str, str] = NO_TEXTS) -> str:
    """Description with its failure type, where there is one other than 00. Raises CodeError.

    own: a car's own texts, by code; without a failure type it is that of any.
    """
    data = dtc_bytes(text)
    if (whole := dtc_text(data.ljust(3, b"\x00"))) in own:
        return own[whole]
    described = own.get(dtc_text(data[:2])) or code_description(text)
    if len(data) == 2 or data[2] == 0:
        return described
    return f"{described} - {failure_type_name(data[2])}"


def lost_communication_code(role: str) -> str:
    """Code another module sets when it no longer hears the module `role`, for instance ECM: U0100.

    `role` is an SAE J1930 abbreviation or trade word of MODULE_ROLES, in any case and spacing.
    Raises CodeError with the nearest known role.
    """
    return module_role(role).lost_code


def invalid_data_code(role: str) -> str:
    """Code another module sets when the module `role` sends values marked invalid. Raises CodeError."""
    return module_role(role).invalid_code


def bus_off_code(place: int) -> str | None:
    """Code a module sets when its own controller goes bus-off, by the place of the bus in the car, from 0.

    `Control Module Communication Bus "A" Off` for the first; None where the tables have no letter left.
    """
    return f"U{73 + place:04d}" if place < len(BUSES) else None


def plain_name(name: str) -> str:
    """A role's name without case, spaces and hyphens."""
    return re.sub(r"[^A-Z0-9]", "", name.upper())


_ROLE_BY_NAME: Final = {plain_name(name): row for row in MODULE_ROLES for name in (row.role, *row.others)}
_ANY_MODULE: Final = re.compile(r"(CONTROL)?(MODULE|UNIT)$|CONTROLLER$")  # words that every module may bear
_ROLE_BY_PART: Final = {_ANY_MODULE.sub("", name): row for name, row in _ROLE_BY_NAME.items()}


def _role(name: str) -> ModuleRole | None:
    """By its full name, or else without the words that every module may bear: 'Body module' is the BCM."""
    plain = plain_name(name)
    return _ROLE_BY_NAME.get(plain) or _ROLE_BY_PART.get(_ANY_MODULE.sub("", plain))


def is_known_role(role: str) -> bool:
    """Are generic codes known for this role?"""
    return _role(role) is not None


def is_role(name: str, role: str) -> bool:
    """Whether two names, in any spelling, mean the same role of MODULE_ROLES."""
    row = _role(name)
    return row is not None and row == _role(role)


def module_role(role: str) -> ModuleRole:
    """The row of MODULE_ROLES for a role or one of its other names. Raises CodeError."""
    found = _role(role)
    if found is None:
        near = get_close_matches(plain_name(role), _ROLE_BY_NAME, n=1)
        hint = f'; did you mean "{_ROLE_BY_NAME[near[0]].role}"?' if near else ""
        raise CodeError(f'no generic codes are known for a module called "{role}"{hint}')
    return found


_DESCRIPTIONS: Final[dict[str, str]] = {
    code: text for table in CODE_TABLES for code, text in table.texts.items()
}
