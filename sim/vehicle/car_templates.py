"""Kinds of cars to begin a description with: power mode, immobilizer, engine, lamps and ignition feeds.

    text = vehicle_file(rows, "My van", template="van")

A template dresses the plain file of a table: the start (key or button), the engine with its coils and
injectors, the immobilizer, the warning lamps. It finds the modules by their roles (BCM, ECM, ABS, CLUSTER,
AIRBAG, IMMOBILIZER) and leaves out what has no module. All figures are common practice, none is from a car.

Not modeled: diesel pre-glow, 24 V, high voltage of an electric car.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from io import StringIO
from typing import Any, Final

from ruamel.yaml import YAML

from sim.vehicle.codes import is_role
from sim.vehicle.fuse_numbers import printed
from sim.vehicle.problems import Problem, unknown

FIRST_INJECTOR, FIRST_COIL = 201, 351  # SAE J2012: P0201, P0351 for the first cylinder
TOLD_EVERY_MS = 50  # the messages of power mode and engine; common practice


@dataclass(frozen=True, slots=True)
class Template:
    """A kind of car. cylinders: 0 for none; starts: by key or by button; body: its outline on the plan."""

    title: str
    starts: str
    cylinders: int
    coils: bool = True
    immobilizer: bool = True
    body: str = "sedan"


TEMPLATES: Final[Mapping[str, Template]] = {
    "hatchback": Template("hatchback: key, four cylinders", "key", 4),
    "van": Template("van: start button, four cylinders", "button", 4, body="van"),
    "truck": Template("truck: key, six-cylinder diesel", "key", 6, coils=False, body="van"),
    "electric": Template("electric: start button, no engine", "button", 0),
    "motorcycle": Template("motorcycle: key, two cylinders, no immobilizer", "key", 2, immobilizer=False),
}

_KEY_RULES: Final = (
    {"from": ["off", "run"], "on": "change",
     "if": {"all": [{"input": "key_run"}, {"input": "key_crank"}]}, "to": "crank"},
    {"from": "crank", "on": "change",
     "if": {"all": [{"input": "key_run"}, {"not": {"input": "key_crank"}}]}, "to": "run"},
    {"from": "off", "on": "change", "if": {"input": "key_run"}, "to": "run"},
    {"from": ["run", "crank"], "on": "change", "if": {"not": {"input": "key_run"}}, "to": "off"},
)  # fmt: skip
_BY_FOB: Final = {"fob": ["in_range", "at_button"]}
_BUTTON_RULES: Final = (
    {"from": "crank", "on": "change", "if": {"signal": "engine_state", "is": "running"}, "to": "run"},
    {"from": "crank", "on": "change", "after_s": 5, "to": "run"},
    {"from": ["off", "accessory"], "if": {"all": [_BY_FOB, {"input": "brake"}]}, "to": "crank"},
    {"from": "run", "if": {"all": [_BY_FOB, {"input": "brake"}, {"any": [
        {"missing": "engine_state"}, {"signal": "engine_state", "is": "stopped"}]}]}, "to": "crank"},
    {"from": "off", "if": _BY_FOB, "to": "accessory"},
    {"from": "accessory", "if": _BY_FOB, "to": "run"},
    {"from": "run", "to": "off"},
)  # fmt: skip
_READY_RULES: Final = (
    {"from": "off", "if": _BY_FOB, "to": "run"},
    {"from": "run", "to": "off"},
)


def dressed(text: str, name: str) -> str:
    """The text of a plain vehicle file as a car of this kind; raises `Problem` for no such kind."""
    if name not in TEMPLATES:
        raise Problem(unknown("kind of car", name, TEMPLATES))
    document = YAML(typ="safe").load(text)
    _Dresser(document, TEMPLATES[name]).dress()
    written, yaml = StringIO(), YAML()
    yaml.default_flow_style, yaml.width = None, 110
    yaml.dump(json.loads(json.dumps(document)), written)  # a rule that is there twice is written twice
    words = f"# Began as a table and as a {TEMPLATES[name].title}; figures are common practice."
    return f"{words}\n{written.getvalue()}"


class _Dresser:
    """Adds to one plain description what a template brings."""

    def __init__(self, document: dict[str, Any], template: Template) -> None:
        self.document, self.template = document, template
        self.modules: dict[str, Any] = document["modules"]
        self.master = self._named("BCM") or next(iter(self.modules))
        self.engine = self._named("ECM") if template.cylinders else None
        if template.cylinders and self.engine is None:
            raise Problem("this kind of car has an engine: name its module ECM, or choose 'electric'")
        self.ignition = next(iter(document["relays"]))
        self.ground = next(iter(document["grounds"]))

    def _named(self, role: str) -> str | None:
        return next((name for name in self.modules if is_role(name, role)), None)

    def dress(self) -> None:
        """All of it."""
        self.document["body"] = self.template.body
        self._start()
        if self.engine:
            self._engine(self.engine)
        self._lamps()

    def _tell(self, module: str, **signals: Mapping[str, Any]) -> None:
        """Let a module work out these signals and send them, apart from messages that it has."""
        spec = self.modules[module]
        spec.setdefault("signals", {}).update(signals)
        if "sends" in spec:
            message = spec["sends"].setdefault("told", {"period_ms": TOLD_EVERY_MS, "signals": []})
            message["signals"] += list(signals)

    def _free(self, kind: str, stem: str) -> str:
        parts = self.document.setdefault(kind, {})
        names = {*parts, *(printed(name, spec.get("location", "")) for name, spec in parts.items() if spec)}
        return next(name for number in range(1, 100) if (name := f"{stem}{number}") not in names)

    def _fuse(self, title: str, feeds: Iterable[str], rating_a: float, source: str = "") -> str:
        name = self._free("fuses", "F")
        told = {"rating_a": rating_a, "title": title, "feeds": list(feeds)}
        self.document["fuses"][name] = told | ({"from": source} if source else {})
        return name

    def _start(self) -> None:
        by_button = self.template.starts == "button"
        by_hand = ["button", "brake"] if by_button else ["key_run", "key_crank"]
        self._take_away_the_plain_key()
        switches = {f"{one}_switch": one for one in by_hand}
        self.document["switches"] = {
            name: {"operated_by": one, "to": f"{self.master}.{one}"} for name, one in switches.items()
        }
        self._fuse("start and brake" if by_button else "ignition key", switches, 5)
        spec = self.modules[self.master]
        spec["inputs"] = {one: {} for one in by_hand}
        spec["wake"] = ["bus", *by_hand]
        spec["fob_receiver"] = True
        self._tell(self.master, power_mode={"fact": "power_mode"})
        relay = self.document["relays"][self.ignition]
        if by_button:
            spec["outputs"] = {"run_relay": {"when": {"mode": ["run", "crank"]}}}
            relay["coil"] = f"{self.master}.run_relay"
        else:
            relay["coil"] = "key_run_switch"
        rules = _KEY_RULES if not by_button else _BUTTON_RULES if self.engine else _READY_RULES
        button = {"button": "button"} if by_button else {}
        self.document["power_modes"] = {"master": self.master, **button, "rules": list(rules)}

    def _take_away_the_plain_key(self) -> None:
        plain = set(self.document["switches"])
        fuses = self.document["fuses"]
        for name in [name for name, spec in fuses.items() if set(_listed(spec["feeds"])) <= plain]:
            del fuses[name]

    def _engine(self, name: str) -> None:
        cylinders = range(1, self.template.cylinders + 1)
        coils = [f"coil{number}" for number in cylinders] if self.template.coils else []
        injectors = [f"inj{number}" for number in cylinders]
        loads: dict[str, Any] = {"starter": {"kind": "starter", "ohm": 0.055, "to": self.ground}}
        loads |= {one: {"kind": "coil", "ohm": 0.6, "to": f"{name}.{one}"} for one in coils}
        loads |= {one: {"kind": "injector", "ohm": 12, "to": f"{name}.{one}"} for one in injectors}
        self.document["loads"] = loads
        if coils:
            self._fuse("ignition coils", coils, 15, self.ignition)
        self._fuse("injectors", injectors, 15, self.ignition)
        self.document["relays"][self._free("relays", "K")] = {
            "title": "start", "coil": f"{name}.start_relay", "feeds": "starter"
        }  # fmt: skip
        spec = self.modules[name]
        facts = ("engine_state", "engine_speed_rpm", "engine_lamp")
        charging = {"when": {"all": [{"engine": "running"}, {"supply_above_v": 12.9}]}}
        self._tell(name, **{one: {"fact": one} for one in facts}, charging=charging)
        release = [{"immobilizer": "released"}] if self.template.immobilizer else []
        spec["outputs"] = {
            "start_relay": {"when": {"all": [{"mode": "crank"}, *release, {"not": {"engine": "running"}}]}}
        }
        on = {"line": "IGN"}
        low = [(one, FIRST_COIL + place) for place, one in enumerate(coils)]
        low += [(one, FIRST_INJECTOR + place) for place, one in enumerate(injectors)]
        spec["checks"] = [
            {"pin": pin, "below_v": 6, "code": f"P{number:04d}-13", "when": on} for pin, number in low
        ]
        self.document["engine"] = {
            "controller": name, "starter": "starter", "coils": coils, "injectors": injectors,
            "cylinders_needed": max(1, len(injectors) - 1),
        }  # fmt: skip
        if self.template.immobilizer:
            authority = self._named("IMMOBILIZER") or self.master
            self.modules[authority]["fob_receiver"] = True
            for one in (authority, name):
                self.modules[one]["set_up"] = ["keys"]
            self._tell(authority, immobilizer_state={"fact": "immobilizer"})
            self.document["immobilizer"] = {"authority": authority, "engine": name, "authority_code": "B1201"}

    def _lamps(self) -> None:
        cluster = self._named("CLUSTER")
        if cluster is None:
            return
        lamps: dict[str, Any] = {}
        if self.engine:
            asks = [{"missing": "engine_lamp"}, {"signal": "engine_lamp"},
                    {"signal": "engine_state", "is": "stopped"}]  # fmt: skip
            lamps["mil"] = {"title": "engine", "when": _with_ignition({"any": asks})}
            uncharged = {"not": {"signal": "charging"}}
            lamps["battery"] = {"title": "charging", "color": "red", "when": _with_ignition(uncharged)}
        if "immobilizer" in self.document:
            locked = {"not": {"signal": "immobilizer_state", "is": "released"}}
            either = {"any": [{"missing": "immobilizer_state"}, locked]}
            lamps["security"] = {"color": "red", "when": _with_ignition(either)}
        for lamp, role, signal, spec in (
            ("abs", "ABS", "vehicle_speed_kph", {"fact": "vehicle_speed_kph"}),
            ("airbag", "AIRBAG", "airbag_ready", {}),
        ):
            if sender := self._named(role):
                self._tell(sender, **{signal: spec})
                lamps[lamp] = {"when": _with_ignition({"missing": signal})}
        self.modules[cluster]["telltales"] = lamps


def _with_ignition(condition: Mapping[str, Any]) -> dict[str, Any]:
    return {"all": [{"line": "IGN"}, condition]}


def _listed(value: Any) -> list[str]:
    return [value] if isinstance(value, str) else list(value)
