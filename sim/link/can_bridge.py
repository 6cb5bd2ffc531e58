"""Raw frames between the car's diagnostic connector and a bus of python-can.

Any interface of python-can may be on the other side: its virtual bus, a socket, a real adapter. What the
connector hears goes out, what comes in is sent from the connector and must win the bus like any other frame.

Not modeled: CAN FD and remote frames (neither goes through), error frames.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from functools import partial
from typing import Any, Final

import can

from sim.link.adapter import Adapter
from sim.link.realtime import RealTime
from sim.network.frames import Frame
from sim.vehicle.problems import Problem

MAX_OUTGOING: Final = 10_000  # frames that the other side has not taken: some seconds of a full bus
POLL_S: Final = 0.1


def open_bus(where: str) -> can.BusABC:
    """The python-can bus of "INTERFACE:CHANNEL", for instance "virtual:car". Raises `Problem`."""
    interface, _, channel = where.partition(":")
    if not interface or not channel:
        raise Problem(f"'{where}' is not a CAN bus; write INTERFACE:CHANNEL, for example virtual:car")
    try:
        return can.Bus(interface=interface, channel=channel)
    except (can.CanError, OSError, ValueError, ImportError, NotImplementedError) as error:
        raise Problem(f"the CAN bus '{where}' cannot be opened: {error}") from None


class CanBridge:
    """Passes frames both ways between `start` and `stop`, with the bus that `where` names (see `open_bus`).

    dropped: frames that one side could not take. sent, received: frames passed out of the car and into it.
    failure: why the other side ended, if it did; the car runs on.
    """

    def __init__(self, car: RealTime, adapter: Adapter, where: str) -> None:
        self.where = where
        self.sent = self.received = self.dropped = 0
        self.failure = ""
        self._car = car
        self._adapter = adapter
        self._bus = open_bus(where)
        self._outgoing: queue.Queue[can.Message] = queue.Queue(MAX_OUTGOING)
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=f"can {name}", daemon=True)
            for name, work in (("out", self._send), ("in", self._receive))
        ]

    def start(self) -> None:
        """Begin to pass frames."""
        self._car.call(partial(self._adapter.hear_raw, self._heard))
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Pass no more."""
        self._stopping.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=10)
        self._bus.shutdown()

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            while not self._stopping.is_set():
                work()
        except (can.CanError, OSError) as error:
            self.failure = self.failure or str(error)

    def _heard(self, time_s: float, frame: Frame) -> None:
        """In the car's thread."""
        try:
            self._outgoing.put_nowait(as_message(frame, time_s, is_rx=False))
        except queue.Full:
            self.dropped += 1

    def _send(self) -> None:
        try:
            message = self._outgoing.get(timeout=POLL_S)
        except queue.Empty:
            return
        self._bus.send(message)
        self.sent += 1

    def _receive(self) -> None:
        message = self._bus.recv(POLL_S)
        if message is None:
            return
        frame = as_frame(message)
        if frame is None or not self._car.post(partial(self._adapter.send_raw, frame)):
            self.dropped += 1
        else:
            self.received += 1


def as_message(frame: Frame, time_s: float, **more: Any) -> can.Message:
    """A frame that ended at this time as a python-can message."""
    return can.Message(
        timestamp=time_s,
        arbitration_id=frame.can_id,
        is_extended_id=frame.extended,
        data=frame.data,
        is_fd=frame.fd,
        bitrate_switch=frame.data_bitrate_bps is not None,
        **more,
    )


def as_frame(message: can.Message) -> Frame | None:
    """A python-can message as a classical data frame; None for any other kind."""
    if message.is_fd or message.is_remote_frame or message.is_error_frame:
        return None
    return Frame(message.arbitration_id, bytes(message.data), message.is_extended_id)
