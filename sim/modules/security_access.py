"""SecurityAccess of ISO 14229-1: seed and key, wrong keys, and the delay after too many of them.

Not modeled: several security levels, the data record of a request, and keys that are kept secret.
"""

import hmac
from collections.abc import Callable
from typing import Final

from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.cmac import CMAC

from sim.modules.uds_protocol import (
    NegativeResponseCode,
    RequestRejected,
    SecurityStep,
    require,
    require_length,
)
from sim.network.clock import CLOCK_S

KEY_ATTEMPTS: Final = 3  # wrong keys until the delay starts: common practice
KEY_DELAY_S: Final = 10.0  # delay after too many wrong keys: common practice
KEY_BYTES: Final = 16  # AES-128


class SharedSecret:
    """Challenge and response of 16 bytes by a 128-bit key that module and tester share: AES-CMAC.

    key(seed) is the AES-CMAC of the seed (RFC 4493, NIST SP 800-38B). A seed is the AES-CMAC of a number that
    counts up, not random, so that a run can be repeated byte for byte; that text has 12 bytes where a seed
    has 16, so that no key is ever a seed. A training aid: its key is printed in this program.
    Raises ValueError for a secret that is not 16 bytes long.
    """

    def __init__(self, secret: bytes) -> None:
        if len(secret) != KEY_BYTES:
            raise ValueError(f"a shared secret of {len(secret)} bytes: AES-128 needs {KEY_BYTES}")
        self._secret = secret
        self._number = 0

    def seed(self) -> bytes:
        """A new seed, never all zero: zero says that the module is already unlocked."""
        self._number += 1
        return self._code(b"seed" + self._number.to_bytes(8, "big"))

    def key(self, seed: bytes) -> bytes:
        """The key that opens `seed`."""
        return self._code(seed)

    def _code(self, data: bytes) -> bytes:
        code = CMAC(AES(self._secret))
        code.update(data)
        return code.finalize()


class SecurityAccess:
    """Whether a module is unlocked. `clock` gives seconds that never go back.

    unlocked_at_s: when it was the last time, also after it was locked again; None: never since its start.
    """

    def __init__(self, secret: SharedSecret, clock: Callable[[], float]) -> None:
        self.unlocked = False
        self.unlocked_at_s: float | None = None
        self._secret = secret
        self._clock = clock
        self._seed: bytes | None = None
        self._wrong_keys = 0
        self._delay_until_s = 0.0

    def lock(self) -> None:
        """Every change of session locks the module."""
        self.unlocked = False
        self._seed = None

    def forget(self) -> None:
        """The module starts anew."""
        self.unlocked_at_s = None

    def handle(self, body: bytes) -> bytes:
        """Handle a request after its service identifier. Raises RequestRejected."""
        return self._give_seed(body) if body[0] == SecurityStep.REQUEST_SEED else self._take_key(body)

    def _give_seed(self, body: bytes) -> bytes:
        require_length(len(body) == 1)
        delay_is_over = self._clock() >= self._delay_until_s - CLOCK_S
        require(delay_is_over, NegativeResponseCode.REQUIRED_TIME_DELAY_NOT_EXPIRED)
        self._seed = self._secret.seed()
        return body + (bytes(len(self._seed)) if self.unlocked else self._seed)

    def _take_key(self, body: bytes) -> bytes:
        seed, self._seed = self._seed, None
        require(seed is not None, NegativeResponseCode.REQUEST_SEQUENCE_ERROR)
        key = self._secret.key(seed or b"")
        require_length(len(body) == 1 + len(key))
        if not hmac.compare_digest(body[1:], key):
            self._count_wrong_key()
        self._wrong_keys = 0
        self.unlocked = True
        self.unlocked_at_s = self._clock()
        return body[:1]

    def _count_wrong_key(self) -> None:
        self._wrong_keys += 1
        require(self._wrong_keys >= KEY_ATTEMPTS, NegativeResponseCode.INVALID_KEY)
        self._wrong_keys = 0
        self._delay_until_s = self._clock() + KEY_DELAY_S
        raise RequestRejected(NegativeResponseCode.EXCEED_NUMBER_OF_ATTEMPTS)
