"""One live car with everything that outside programs can reach it by."""

from __future__ import annotations

from sim.bench.bench import Bench
from sim.link.adapter import Adapter
from sim.link.can_bridge import CanBridge
from sim.link.doip_server import DoipServer
from sim.link.realtime import RealTime
from sim.network import doip
from sim.network.doip import Entity
from sim.vehicle.edits_set_up import CAR_VIN
from sim.vehicle.elements import TESTER
from sim.vehicle.problems import Problem


class LiveLink:
    """A bench in real time, served by diagnostics over IP and through python-can. A context manager.

    doip_port: None for no diagnostics over IP, 0 for any free port (`doip.port` tells which). can_buses: any
    number of "INTERFACE:CHANNEL". Raises `Problem` where the car has no diagnostic connector on a bus, a port
    is taken, or a python-can bus cannot be opened.

    Not modeled: what clients send is not in the bench's log, so a replay repeats actions only.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        doip_port: int | None = doip.PORT,
        host: str = "127.0.0.1",
        announce_port: int = doip.PORT,
        can_buses: tuple[str, ...] = (),
    ) -> None:
        if TESTER not in bench.car.transceivers:
            raise Problem("this car has no diagnostic connector on a bus: nothing can be plugged in")
        if bench.fidelity != "frame":
            raise Problem("a car in real time needs a bench at frame fidelity")
        self.car = RealTime(bench)
        self.adapter = Adapter(bench.live)
        self.doip: DoipServer | None = None
        if doip_port is not None:
            entity = Entity(CAR_VIN, doip.EID, doip.EID)
            self.doip = DoipServer(self.car, self.adapter, entity, host, doip_port, announce_port)
        self.bridges: list[CanBridge] = []
        self._can_buses = can_buses

    def __enter__(self) -> LiveLink:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Let time run, and serve."""
        self.car.start()
        try:
            if self.doip:
                self.doip.start()
            for where in self._can_buses:
                bridge = CanBridge(self.car, self.adapter, where)
                self.bridges.append(bridge)
                bridge.start()
        except Problem:
            self.stop()
            raise

    def stop(self) -> None:
        """Stop serving, then stop the clock."""
        for bridge in self.bridges:
            bridge.stop()
        if self.doip:
            self.doip.stop()
        if self.car.running:
            self.car.call(self.adapter.unplug)
        self.car.stop()
