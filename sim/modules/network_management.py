"""One node's network management on one bus: who keeps the bus awake, and when all sleep together.

States and their order::

    bus sleep --request, passive start--> repeat message --RepeatMessageTime--> normal operation
        ^                                       |                                   ^
        |                                       | if not requested      release, request again
        |                                       v                                   v
        +--WaitBusSleepTime-- prepare bus sleep <--NM-Timeout-------------- ready sleep

Repeat message, normal operation and ready sleep are the network mode, in which messages run. A node sends its
management frame every MsgCycleTime in repeat message and normal operation only, so that the bus falls silent
once no node requests it any more: then NM-Timeout, which every management frame received and every own one
confirmed restarts, runs out in all nodes at once. A frame received in prepare bus sleep, or one with the
repeat message bit in the other two states of the network mode, leads to repeat message.

Source: AUTOSAR, Specification of CAN Network Management; states, transitions and timer names as an open
implementation tags them with the requirements' numbers (second-hand).

The machine has no clock: who owns it hands in the time and updates it when `due_s` has come.

Not modeled: the coordinator's sleep ready bit, car wake-up, bus load reduction.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Literal

from sim.network.clock import CLOCK_S
from sim.vehicle.description_wiring import NetworkManagement

NmState = Literal["bus sleep", "repeat message", "normal operation", "ready sleep", "prepare bus sleep"]
NETWORK_MODE: Final = ("repeat message", "normal operation", "ready sleep")
SENDING: Final = ("repeat message", "normal operation")

REPEAT_MESSAGE_BIT: Final = 0x01  # control bit vector, bit 0: repeat message request
ACTIVE_WAKEUP_BIT: Final = 0x10  # bit 4: this node woke the bus itself


class NmNode:
    """The state machine. `on_state(old, why)` is called after each change, with the standard's word for why.

    timeouts: how often NM-Timeout ran out while the node itself was sending, which it takes as an error.
    """

    def __init__(self, times: NetworkManagement, on_state: Callable[[NmState, str], None]) -> None:
        self.times = times
        self.state: NmState = "bus sleep"
        self.requested = False
        self.woke_actively = False
        self.asks_repeat = False
        self.may_send = True
        self.timeouts = 0
        self._on_state = on_state
        self._timeout_from_s = self._repeat_until_s = self._sleep_at_s = 0.0

    @property
    def in_network_mode(self) -> bool:
        """Do messages run?"""
        return self.state in NETWORK_MODE

    @property
    def sends(self) -> bool:
        """Does it send its management frame?"""
        return self.state in SENDING and self.may_send

    @property
    def control_bits(self) -> int:
        """The control bit vector of its frame."""
        return REPEAT_MESSAGE_BIT * self.asks_repeat | ACTIVE_WAKEUP_BIT * self.woke_actively

    @property
    def due_s(self) -> float | None:
        """The next instant at which a timer may run out; None while none runs."""
        if self.state == "prepare bus sleep":
            return self._sleep_at_s
        if not self.in_network_mode:
            return None
        timers = [self._timeout_from_s + self.times.timeout_ms / 1000] if self.may_send else []
        if self.state == "repeat message":
            timers.append(self._repeat_until_s)
        return min(timers, default=None)

    # -- what its module wants ---------------------------------------------------------------------------

    def request(self, now_s: float) -> None:
        """The module needs the bus."""
        self.requested = True
        if self.state in ("bus sleep", "prepare bus sleep"):
            self.woke_actively = True
            self._repeat(now_s, "network request")
        elif self.state == "ready sleep":
            self._enter("normal operation", "network request")

    def release(self, now_s: float) -> None:
        """The module needs it no more."""
        self.requested = False
        if self.state == "normal operation":
            self._enter("ready sleep", "network release")

    def start_passively(self, now_s: float) -> None:
        """The module was woken by the bus and joins without a request of its own."""
        if self.state in ("bus sleep", "prepare bus sleep"):
            self._repeat(now_s, "passive start-up")

    def ask_for_repeat(self, now_s: float) -> None:
        """The module wants to see who is there: every node on the bus sends for RepeatMessageTime."""
        if self.state in ("normal operation", "ready sleep"):
            self.asks_repeat = True
            self._repeat(now_s, "repeat message request")

    def allow_sending(self, allowed: bool, now_s: float) -> None:
        """A tester stops its frames, or lets it send again: NM-Timeout does not run meanwhile."""
        if allowed and not self.may_send:
            self._timeout_from_s = now_s
        self.may_send = allowed

    def shut(self) -> None:
        """Supply lost, reset or asleep: everything as at the start; `on_state` is not called."""
        self.state = "bus sleep"
        self.requested = self.woke_actively = self.asks_repeat = False
        self.may_send = True

    # -- what happens ------------------------------------------------------------------------------------

    def received(self, control_bits: int, now_s: float) -> None:
        """Another node's frame has arrived."""
        self._timeout_from_s = max(self._timeout_from_s, now_s)
        if self.state == "prepare bus sleep":
            self._repeat(now_s, "frame received")
        elif self.state in ("normal operation", "ready sleep") and control_bits & REPEAT_MESSAGE_BIT:
            self._repeat(now_s, "repeat message bit received")

    def update(self, now_s: float, last_frame_s: float) -> None:
        """Timers that have run out; last_frame_s: when a frame was last received, or an own one confirmed."""
        self._timeout_from_s = max(self._timeout_from_s, last_frame_s)
        if self.state == "prepare bus sleep" and now_s >= self._sleep_at_s - CLOCK_S:
            self.woke_actively = False
            self._enter("bus sleep", "WaitBusSleepTime")
        elif self.in_network_mode:
            self._update_network_mode(now_s)

    def _update_network_mode(self, now_s: float) -> None:
        silent = now_s >= self._timeout_from_s + self.times.timeout_ms / 1000 - CLOCK_S
        if self.may_send and silent:
            if self.state == "ready sleep":
                self._sleep_at_s = now_s + self.times.wait_bus_sleep_ms / 1000
                self._enter("prepare bus sleep", "NM-Timeout")
                return
            self._timeout_from_s = now_s
            self.timeouts += 1
        if self.state == "repeat message" and now_s >= self._repeat_until_s - CLOCK_S:
            self.asks_repeat = False
            self._enter("normal operation" if self.requested else "ready sleep", "RepeatMessageTime")

    def _repeat(self, now_s: float, why: str) -> None:
        self._timeout_from_s = now_s
        self._repeat_until_s = now_s + self.times.repeat_message_ms / 1000
        self._enter("repeat message", why)

    def _enter(self, state: NmState, why: str) -> None:
        old, self.state = self.state, state
        self._on_state(old, why)
