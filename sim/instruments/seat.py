"""The driver's seat: lamps, cluster, engine, and what the pedal and button feel like.

Not modeled: gauges, messages in plain text, sounds but those of fans that turn at full speed.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim.bench.bench import Bench
from sim.modules.facts import engine_or_vehicle, engine_words
from sim.modules.world import LIFELESS


@dataclass(frozen=True, slots=True)
class Lamp:
    """One telltale as the driver sees it."""

    name: str
    title: str
    color: str
    lit: bool


@dataclass(frozen=True, slots=True)
class Seat:
    """What the driver's seat shows now.

    `cluster`: lit, dark; `engine`: stopped, cranking, running; of a car without one: ready, not ready.
    pack_pct: the charge of a high-voltage pack, as the cluster is told it; None where it is not.
    """

    time_s: float
    cluster: str
    lamps: tuple[Lamp, ...]
    engine: str
    ignition: str
    fob: str
    rough: bool = False  # the engine shakes: a cylinder does not fire
    pack_pct: int | None = None
    speed_kph: int = 0
    auto_stopped: bool = False  # by start-stop
    roaring: tuple[str, ...] = ()  # fans that turn at full speed, which is heard

    @property
    def engine_words(self) -> str:
        """What the engine does, as it feels."""
        if self.auto_stopped:
            return "stopped by start-stop"
        return f"{self.engine} rough" if self.rough else engine_words(self.engine)

    @property
    def sounds(self) -> tuple[str, ...]:
        """What is heard, in words."""
        return tuple(f"{name.replace('_', ' ')} at full speed" for name in self.roaring)

    @property
    def heard(self) -> str:
        """What is heard, as a headline goes on with it."""
        return "".join(f" · **{one}**" for one in self.sounds)

    @property
    def what(self) -> str:
        """What runs or is ready: the engine, or a vehicle without one."""
        return engine_or_vehicle(self.engine)

    @property
    def told(self) -> str:
        """`engine running`, `vehicle ready`."""
        return f"{self.what} {self.engine_words}"

    @property
    def lit(self) -> tuple[str, ...]:
        """Names of the telltales that are lit."""
        return tuple(lamp.name for lamp in self.lamps if lamp.lit)


def seat_of(bench: Bench) -> Seat:
    """Return what can be seen from the driver's seat."""
    lamps = tuple(
        Lamp(name, spec.title or name, spec.color, module.outputs.telltales[name])
        for module in bench.live.modules.values()
        for name, spec in module.spec.telltales.items()
    )
    owners = [module for module in bench.live.modules.values() if module.spec.telltales]
    lively = any(module.sends for module in owners)
    return Seat(
        bench.now_s,
        "awake" if lively else "dark",
        lamps,
        str(bench.live.world.engine.value),
        _ignition(bench),
        str(bench.live.world.fob.value).replace("_", " "),
        bool(bench.live.world.misfires),
        _pack_pct(bench),
        int(str(bench.live.world.speed_kph.value)),
        any(one.start_stop is not None and one.start_stop.cuts for one in bench.live.modules.values()),
        bench.live.units.roaring,
    )


def _pack_pct(bench: Bench) -> int | None:
    """The charge of the pack, as the module with the lamps receives it."""
    for module in bench.live.modules.values():
        if module.spec.telltales and module.sends:
            value = module.knowledge.value("pack_charge_pct")
            return value if isinstance(value, int) else None
    return None


def _ignition(bench: Bench) -> str:
    """The light of the start button (or the key's place): what the power-mode master holds, if supplied."""
    for module in bench.live.modules.values():
        if module.master:
            return module.master.mode if module.state not in LIFELESS else "dark"
    return "none"
