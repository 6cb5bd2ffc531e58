"""Signals in the bytes of a message: one byte each, with the usual marks for invalid and not available.

The marks FE (error) and FF (not available) follow the habit of SAE J1939-71 (from memory).

Not modeled: bit packing, scaling beyond one factor, counters and check sums in the data.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.modules.facts import INVALID, Known
from sim.vehicle.car import Car
from sim.vehicle.conditions import SignalValue
from sim.vehicle.messages import Sent, conditions_of

INVALID_BYTE = 0xFE
ABSENT_BYTE = 0xFF
HIGHEST = 0xFA  # the last ordinary value, as in SAE J1939-71 (from memory)
STEP = {"engine_speed_rpm": 32}  # rpm per bit, so that one byte reaches 8000; our own choice
HIGH_VOLTAGE_WORDS = ("open", "precharging", "closed", "failed", "good", "low", "fault")
WORDS = ("off", "accessory", "run", "crank", "stopped", "cranking", "running", "locked", "released")


class Codec:
    """Turns signal values of one car into message bytes and back.

    Words of the car's own files get numbers after the standard ones, in sorted order.
    """

    def __init__(self, car: Car) -> None:
        signals = [one for spec in car.built.modules.values() for one in spec.signals.items()]
        own = sorted(set(_words_in(car)) - set(WORDS))
        self._words = (*WORDS, *own)
        self._numbers = {word: number for number, word in enumerate(self._words)}
        self._is_word = {"power_mode", "engine_state", "immobilizer_state"} | {
            name
            for name, signal in signals
            if signal.fact in ("high_voltage", "insulation")
            or isinstance(signal.value, str)
            or isinstance(signal.substitute, str)
        }
        self._is_flag = {
            name
            for name, signal in signals
            if signal.when
            or signal.fact in ("engine_lamp", "pack_full")
            or (signal.fact is None and isinstance(signal.value, bool))
        }

    def encode(self, message: Sent, values: dict[str, Known]) -> bytes:
        """The data of a message; signals not in `values` are marked not available."""
        data = bytearray(message.length)
        for place, name in enumerate(message.signals):
            data[place] = self.byte_of(name, values.get(name))
        return bytes(data)

    def decode(self, message: Sent, data: bytes) -> dict[str, Known]:
        """Signal values of received data; None where not available."""
        return {name: self.value_of(name, data[place]) for place, name in enumerate(message.signals)}

    def byte_of(self, name: str, value: Known) -> int:
        """The byte of one signal; None is marked not available."""
        if value is None:
            return ABSENT_BYTE
        if isinstance(value, str):
            return self._numbers[value]
        if isinstance(value, bool):
            return int(value)
        if isinstance(value, int):
            return max(0, min(HIGHEST, value // STEP.get(name, 1)))
        return INVALID_BYTE

    def value_of(self, name: str, byte: int) -> Known:
        """The value of one signal's byte; None where not available."""
        if byte == ABSENT_BYTE:
            return None
        if byte == INVALID_BYTE:
            return INVALID
        if name in self._is_word and byte < len(self._words):
            return self._words[byte]
        if name in self._is_flag:
            return bool(byte)
        return byte * STEP.get(name, 1)


def _words_in(car: Car) -> Iterator[str]:
    """The words that a car's own files give to signals or compare them with."""
    values: list[SignalValue] = list(HIGH_VOLTAGE_WORDS if car.built.high_voltage else ())
    for name, spec in car.built.modules.items():
        for signal in spec.signals.values():
            values += [signal.value, signal.substitute]
        for _, condition in conditions_of(car.built, name):
            for leaf in condition.leaves():
                values += leaf.is_ if leaf.signal else ()
    return (value for value in values if isinstance(value, str))
