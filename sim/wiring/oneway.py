"""One-way elements: transceiver legs and current-limited regulators, and their operating point.

A one-way element sits at a *port*, a pair of nodes (a, b).  Its current i is counted from a through the
element to b.  The rest of the circuit is linear, so it answers with

    v = open_v - impedance_ohm @ i + offsets,

where `offsets` are the free potentials of galvanically separate islands that only one-way elements tie
together (the current into each of them must sum to zero).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

from sim.wiring.errors import CircuitError, NotConverged

Array = NDArray[np.float64]

# Boltzmann constant / elementary charge (exact in the SI since 2019) times 300.15 K, the nominal
# temperature of SPICE (27 degC).
THERMAL_V = 1.380649e-23 / 1.602176634e-19 * 300.15

# 24.7 ohm, 100 mA and a diode of 0.626 V at 33.3 mA give 3.5 V / 1.5 V into 60 ohm, the typical dominant
# levels of ISO 11898-2.  Computed; the 100 mA limit per leg is the ABB AC800F manual's (7-30).
LEG_OHM = 24.7
LEG_LIMIT_A = 0.1
LEG_SATURATION_A = 1e-12

# 5 V with 0.05 ohm up to the limit: computed model of a sensor supply.  Classes of 50, 70, 150 and 300 mA
# exist (from memory).
REGULATOR_OHM = 0.05

# Leakage across every one-way element that is switched on, the value SPICE calls GMIN: common practice.
# It decides the voltage of a line that nothing else holds.
LEAK_S = 1e-12

# Where Newton does not get there within MAX_STEPS it is led there: solved first with a large leakage, then
# with less and less of it (GMIN stepping in SPICE, common practice).
LEAK_LADDER_S = (*(10.0**-k for k in range(2, 12)), LEAK_S)
MAX_STEPS = 40

# Numerical choices of the search: when it stands still (absolute and relative), what rounding is worth, how
# far it looks first along a step, and how closely it finds the place to stop there.
STEP_LIMIT_V = 1e-9
ROUNDING = 4 * float(np.finfo(np.float64).eps)
FIRST_STEP_V = 50.0
STEP_PRECISION = 1 / 64


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg of a bus driver: a diode, a resistance and a soft current limit in series.

    supply_v: None for a low-side leg, which conducts from node a to node b; a voltage for a high-side leg,
    which pulls node a up towards `supply_v` above node b and never takes current in.
    ohm, limit_a, saturation_a: resistance, limit of the current, saturation current of the diode.

    With i the current and V_T the thermal voltage, the leg drops
    V_T ln(1 + i/saturation_a) + ohm i / sqrt(1 - (i/limit_a)^2).

    Not modelled: temperature, thermal shutdown, the time-out of a dominant transmitter, and what the
    supply of a high-side leg takes from the battery.
    """

    supply_v: float | None = None
    ohm: float = LEG_OHM
    limit_a: float = LEG_LIMIT_A
    saturation_a: float = LEG_SATURATION_A

    def __post_init__(self) -> None:
        _require_positive("leg", ohm=self.ohm, limit_a=self.limit_a, saturation_a=self.saturation_a)
        _require_finite("leg", supply_v=self.supply_v or 0.0)


@dataclass(frozen=True, slots=True)
class Regulator:
    """A supply: node a at `volt` above node b through `ohm`, up to `limit_a`, then constant current.

    It takes no current in: a line pulled above `volt` is left alone.

    Not modelled: fold-back, thermal shutdown, and the current taken from the regulator's own supply.
    """

    volt: float = 5.0
    ohm: float = REGULATOR_OHM
    limit_a: float = LEG_LIMIT_A

    def __post_init__(self) -> None:
        _require_positive("regulator", ohm=self.ohm, limit_a=self.limit_a)
        _require_finite("regulator", volt=self.volt)


OneWay = Leg | Regulator


def _require_positive(what: str, **values: float) -> None:
    for name, value in values.items():
        if not (np.isfinite(value) and value > 0):
            raise CircuitError(f"{what}: {name} is {value!r}; it must be a finite number above 0")


def _require_finite(what: str, **values: float) -> None:
    for name, value in values.items():
        if not np.isfinite(value):
            raise CircuitError(f"{what}: {name} is {value!r}; it must be a finite number")


class Bank:
    """The characteristics of several one-way elements, evaluated together."""

    def __init__(self, elements: Sequence[OneWay]) -> None:
        self.leak_s = LEAK_S
        self.sense = np.array([1.0 if isinstance(e, Leg) and e.supply_v is None else -1.0 for e in elements])
        self.supply_v = np.array([(e.supply_v or 0.0) if isinstance(e, Leg) else e.volt for e in elements])
        self.ohm = np.array([e.ohm for e in elements])
        self.limit_a = np.array([e.limit_a for e in elements])
        self.is_leg = np.array([isinstance(e, Leg) for e in elements], dtype=bool)
        self.saturation_a = np.array([e.saturation_a for e in elements if isinstance(e, Leg)])

    def current(self, port_v: Array) -> tuple[Array, Array]:
        """Currents from a to b in A and their slopes in S, at voltages of a against b in V; shape (n,)."""
        forward_v = self.sense * port_v + self.supply_v
        current_a, slope_s = self._regulator_current(forward_v)
        leg = self.is_leg
        if leg.any():
            current_a[leg], slope_s[leg] = _leg_current(
                forward_v[leg], self.ohm[leg], self.limit_a[leg], self.saturation_a
            )
        return self.sense * (current_a + self.leak_s * forward_v), slope_s + self.leak_s

    def _regulator_current(self, forward_v: Array) -> tuple[Array, Array]:
        free_a = forward_v / self.ohm
        regulating = (free_a > 0) & (free_a < self.limit_a)
        return np.clip(free_a, 0.0, self.limit_a), np.where(regulating, 1.0 / self.ohm, 0.0)


def _leg_current(forward_v: Array, ohm: Array, limit_a: Array, saturation_a: Array) -> tuple[Array, Array]:
    """Solve v = V_T ln(1 + i/I_S) + y with y the drop of the limited resistance, by Newton in y.

    Without the limit the answer is a Wright omega function; it lies below the true y, the left side is
    concave in y, so Newton climbs to the root without overshoot.
    """
    conducting_v = np.maximum(forward_v, 0.0)
    saturation_v = saturation_a * ohm
    exponent = np.log(saturation_v / THERMAL_V) + (conducting_v + saturation_v) / THERMAL_V
    drop_v = np.maximum(THERMAL_V * wrightomega(exponent) - saturation_v, 0.0)
    knee_v = ohm * limit_a
    for _ in range(50):
        ratio = 1.0 + (drop_v / knee_v) ** 2
        current_a = drop_v / ohm / np.sqrt(ratio)
        excess_v = conducting_v - drop_v - THERMAL_V * np.log1p(current_a / saturation_a)
        rise = 1.0 + THERMAL_V / (current_a + saturation_a) / (ohm * ratio**1.5)
        step_v = excess_v / rise
        drop_v = np.maximum(drop_v + step_v, 0.0)
        if np.all(np.abs(step_v) <= 1e-13 * (1.0 + conducting_v)):
            break
    ratio = 1.0 + (drop_v / knee_v) ** 2
    current_a = drop_v / ohm / np.sqrt(ratio)
    slope_s = 1.0 / (THERMAL_V / (current_a + saturation_a) + ohm * ratio**1.5)
    blocked_v = np.minimum(forward_v, 0.0)
    blocked = forward_v < 0
    current_a = np.where(blocked, saturation_a * np.expm1(blocked_v / THERMAL_V), current_a)
    slope_s = np.where(blocked, saturation_a / THERMAL_V * np.exp(blocked_v / THERMAL_V), slope_s)
    return current_a, slope_s


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
    """Newton's way to an operating point; arrays as in `operating_point`."""

    def __init__(self, open_v: Array, impedance_ohm: Array, ties: Array, bank: Bank) -> None:
        self.open_v, self.impedance_ohm, self.ties, self.bank = open_v, impedance_ohm, ties, bank
        self.restart()

    def restart(self) -> None:
        n, floating = self.ties.shape
        self.current_a, self.offset_v = np.zeros(n), np.zeros(floating)
        self.moved_v, self.settled = np.zeros(n), False
        if not self.bank.is_leg.any():
            self._let_regulate()

    def _let_regulate(self) -> None:
        """Begin where every regulator holds its voltage, or gives all it can: mostly that is the answer."""
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
    """Matrix of the linearised operating point: each element's current, then each island's balance."""
    n, floating = ties.shape
    matrix = np.zeros((n + floating, n + floating))
    matrix[:n, :n] = np.eye(n) + slope_s[:, None] * impedance_ohm
    matrix[:n, n:] = -slope_s[:, None] * ties
    matrix[n:, :n] = ties.T
    return matrix
