"""The operating point of one-way elements: currents at which all agree with the circuit around them."""

from collections.abc import Sequence

import numpy as np

from sim.wiring.errors import NotConverged
from sim.wiring.oneway import LEAK_S, Array, Bank, OneWay

# If Newton's method does not converge within MAX_STEPS, the circuit is solved first with a large leakage,
# then with less and less of it (GMIN stepping in SPICE, common practice).
LEAK_LADDER_S = (*(10.0**-k for k in range(2, 12)), LEAK_S)
MAX_STEPS = 40

# Numerical choices of the search: when it has converged (absolute and relative), the size of rounding, how
# far it first looks along a step, and how precisely it finds where to stop.
STEP_LIMIT_V = 1e-9
ROUNDING = 4 * float(np.finfo(np.float64).eps)
FIRST_STEP_V = 50.0
STEP_PRECISION = 1 / 64


def operating_point(
    open_v: Array, impedance_ohm: Array, ties: Array, elements: Sequence[OneWay], names: Sequence[str]
) -> tuple[Array, Array]:
    """Currents in A (shape (n,)) and island offsets in V (shape (f,)) at which all elements agree.

    open_v (n,), impedance_ohm (n, n) symmetric; ties (n, f): +1 where a port begins in a floating island,
    -1 where it ends there.

    The unknowns are the stationary point of a convex function (the co-content of the circuit), so a
    Newton step shortened to where that function stops falling always leads down to the one solution.
    Raises NotConverged, which names an element of `names`.
    """
    search = _Search(open_v, impedance_ohm, ties, Bank(elements))
    if not search.settle():
        search.restart()
        for leak_s in LEAK_LADDER_S:
            search.bank.leak_s = leak_s
            search.settle()
    if not search.settled:
        worst = int(np.argmax(np.abs(search.moved_v)))
        raise NotConverged(names[worst], float(abs(search.moved_v[worst])), MAX_STEPS)
    return search.current_a, search.offset_v


class _Search:
    """Newton's search for an operating point; arrays as in `operating_point`."""

    def __init__(self, open_v: Array, impedance_ohm: Array, ties: Array, bank: Bank) -> None:
        self.open_v, self.impedance_ohm, self.ties, self.bank = open_v, impedance_ohm, ties, bank
        self.restart()

    def restart(self) -> None:
        """Begin again at zero, or with every regulator at work if there is no leg."""
        n, floating = self.ties.shape
        self.current_a, self.offset_v = np.zeros(n), np.zeros(floating)
        self.moved_v, self.settled = np.zeros(n), False
        if not self.bank.is_leg.any():
            self._let_regulate()

    def _let_regulate(self) -> None:
        """Begin where every regulator holds its voltage or is at its limit: mostly that is the answer."""
        n, bank = len(self.open_v), self.bank
        slope_s = 1.0 / bank.ohm
        driven_a = np.append(slope_s * (self.open_v - bank.supply_v), np.zeros(self.ties.shape[1]))
        guess = np.linalg.solve(_balance(slope_s, self.impedance_ohm, self.ties), driven_a)
        self.current_a, self.offset_v = np.clip(guess[:n], -bank.limit_a, 0.0), guess[n:]

    def settle(self) -> bool:
        """Step until nothing moves; False after MAX_STEPS."""
        self.settled = False
        for _ in range(MAX_STEPS):
            self._step()
            if self.settled:
                break
        return self.settled

    def _step(self) -> None:
        port_v = self.open_v - self.impedance_ohm @ self.current_a + self.ties @ self.offset_v
        element_a, slope_s = self.bank.current(port_v)
        short_a = np.concatenate([element_a - self.current_a, -self.ties.T @ self.current_a])
        step = np.linalg.solve(_balance(slope_s, self.impedance_ohm, self.ties), short_a)
        step_a, step_v = step[: len(port_v)], step[len(port_v) :]
        push_v = self.impedance_ohm @ step_a
        moved_v = self.ties @ step_v - push_v
        fall_w = float(push_v @ self.current_a + element_a @ moved_v)
        rounding_a = ROUNDING * float(np.max(np.abs(element_a) + slope_s * np.abs(port_v)))
        self.moved_v = moved_v
        still = np.abs(moved_v) <= STEP_LIMIT_V * (1.0 + np.abs(port_v))
        self.settled = bool(still.all()) or abs(fall_w) <= rounding_a * float(np.sum(np.abs(moved_v)))
        length = 1.0 if still.all() else self._length(fall_w, port_v, moved_v, push_v, step_a)
        self.current_a = self.current_a + length * step_a
        self.offset_v = self.offset_v + length * step_v

    def _length(self, fall_w: float, port_v: Array, moved_v: Array, push_v: Array, step_a: Array) -> float:
        """The whole step if the co-content still falls at its end, else where it stops (1 part in 4)."""

        def fall(length: float) -> float:
            element_a, _ = self.bank.current(port_v + length * moved_v)
            return float(push_v @ (self.current_a + length * step_a) + element_a @ moved_v)

        low, high = 0.0, min(1.0, FIRST_STEP_V / float(np.abs(moved_v).max()))
        while high < 1.0 and fall(high) <= 0:
            low, high = high, min(1.0, 8.0 * high)
        if high == 1.0 and fall(high) <= 0.1 * abs(fall_w):
            return high
        while high - low > STEP_PRECISION * high:
            middle = 0.5 * (low + high)
            if fall(middle) <= 0:
                low = middle
            else:
                high = middle
        return high


def small_signal(slope_s: Array, impedance_ohm: Array, ties: Array, seen_v: Array, put_in: Array) -> Array:
    """How the operating point answers small currents put in elsewhere.

    slope_s (n,), impedance_ohm (n, n) and ties (n, f) as in `operating_point`; for each of m currents of
    1 A, seen_v (n, m) is what it does to the open-circuit voltages and put_in (m, f) where it enters.
    Returns the elements' currents above the islands' offsets, shape (n + f, m).
    """
    matrix = _balance(slope_s, impedance_ohm, ties)
    answer = np.linalg.solve(matrix, np.vstack([slope_s[:, None] * seen_v, put_in.T]))
    return np.asarray(answer, dtype=np.float64)


def _balance(slope_s: Array, impedance_ohm: Array, ties: Array) -> Array:
    """Matrix of the linearized operating point: each element's current, then each island's balance."""
    n, floating = ties.shape
    matrix = np.zeros((n + floating, n + floating))
    matrix[:n, :n] = np.eye(n) + slope_s[:, None] * impedance_ohm
    matrix[:n, n:] = -slope_s[:, None] * ties
    matrix[n:, :n] = ties.T
    return matrix
