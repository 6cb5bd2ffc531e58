"""Edits: what each sentence does, that it can be taken back, and what is said when it makes no sense."""

from functools import lru_cache
from typing import Any

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import scenarios_folder
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, apply_all, catalogue, parse_edit
from sim.vehicle.elements import Contact, FuseLink, RelayContact, Resistor, Wire
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car


@lru_cache
def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


MINIBUS = shipped("shuttle-minibus")


def after(*sentences: str) -> Car:
    """The minibus after edits, each parsed for the car as it is by then."""
    car = MINIBUS
    for sentence in sentences:
        car = parse_edit(sentence, car).apply(car)
    return car


def changed(car: Car) -> dict[str, Any]:
    """What differs from a car without faults."""
    clean = HarnessState()
    fields = ((name, getattr(car.harness, name)) for name in clean.__dataclass_fields__)
    return {name: value for name, value in fields if value != getattr(clean, name)}


def copper(car: Car) -> "nx.Graph[str]":
    """What a continuity test would show, with every relay pulled in."""
    graph: nx.Graph[str] = nx.Graph()
    for part in car.elements.values():
        graph.add_nodes_from((part.a, part.b))
        conducts = isinstance(part, Wire | Contact | FuseLink | RelayContact) or (
            isinstance(part, Resistor) and part.kind in ("joint", "trace")
        )
        if conducts and car.is_whole(part):
            graph.add_edge(part.a, part.b)
    return graph


# -- what each verb does -------------------------------------------------------------------------------

EFFECTS: list[tuple[str, dict[str, Any]]] = [
    ("unplug ECM.C1", {"unplugged": {"ECM.C1"}}),
    ("unplug TCM", {"unplugged": {"TCM.C1"}}),
    ("unplug X10", {"unplugged": {"X10"}}),
    ("unplug DLC", {"unplugged": {"DLC"}}),
    ("unplug BAT.NEG", {"unplugged": {"BAT.NEG"}}),
    ("UNPLUG ECM.C2", {"unplugged": {"ECM.C2"}}),
    ("pull F12", {"pulled": {"F12"}}),
    ("pull K3", {"pulled": {"K3"}}),
    ("blow F12", {"blown": {"F12"}}),
    ("fit F12 30 A", {"fitted_a": {"F12": 30}}),
    ("fit F12 7.5A", {"fitted_a": {"F12": 7.5}}),
    ("open TCM.C1.2", {"opened": {"TCM.C1.2"}}),
    ("open TCM.GND", {"opened": {"TCM.C1.3"}}),
    ("open ECM.powertrain.H", {"opened": {"ECM.C1.6"}}),
    ("open G7", {"opened": {"G7"}}),
    ("open F31.2--SP.F31", {"opened": {"F31.2--SP.F31"}}),
    ("corrode G7 0.5 ohm", {"added_ohm": {"G7": 0.5}}),
    ("corrode X9.4 20ohm", {"added_ohm": {"X9.4": 20}}),
    ("charge 30 %", {"battery_pct": 30}),
    ("charge 0%", {"battery_pct": 0}),
    ("stick TCM.powertrain", {"stuck": {"TCM.powertrain"}}),
    ("stick TCM", {"stuck": {"TCM.powertrain"}}),
    ("babble UPFIT.upfit", {"babbling": {"UPFIT.upfit"}}),
    ("set TCM.powertrain to 250 kbit/s", {"bitrates_bps": {"TCM.powertrain": 250_000}}),
    ("set RADIO to 500kbit/s", {"bitrates_bps": {"RADIO.comfort": 500_000}}),
]


@pytest.mark.parametrize(("sentence", "effect"), EFFECTS)
def test_a_fault_changes_this_and_nothing_else(sentence: str, effect: dict[str, Any]) -> None:
    """Each verb changes one field of the harness's state, of the part that its sentence names."""
    assert effect == changed(after(sentence))


@pytest.mark.parametrize(("sentence", "effect"), EFFECTS)
def test_undo_gives_back_the_same_car(sentence: str, effect: dict[str, Any]) -> None:
    """The sentence in `undo` takes the edit back."""
    edit = parse_edit(sentence, MINIBUS)
    assert edit.undo is not None
    assert {} == changed(after(sentence, edit.undo))


@pytest.mark.parametrize(
    "sentence",
    ["short ECM.C1.1 to BODY", "short ECM.coil1 to GATEWAY.diag.H 2 ohm", "short BAT+ to BAR"],
)
def test_a_short_is_a_lead_and_comes_off_again(sentence: str) -> None:
    """A short adds one part between its terminals, and its undo takes that part off."""
    edit = parse_edit(sentence, MINIBUS)
    car = edit.apply(MINIBUS)
    [lead] = car.harness.joined_parts()
    assert isinstance(lead, Resistor)
    assert lead == car.all_elements[lead.id]
    assert edit.text == f"{lead.id} {lead.ohm:g} ohm"
    assert edit.undo is not None
    assert {} == changed(parse_edit(edit.undo, car).apply(car))


def test_ends_of_a_short_may_be_named_by_function() -> None:
    """`ECM.coil1` means the pin with that function."""
    [lead] = after("short ECM.coil1 to GATEWAY.diag.H 2 ohm").harness.joined_parts()
    assert ("ECM.C2.1", "GATEWAY.C1.12", 2.0) == (lead.a, lead.b, getattr(lead, "ohm", None))


def test_a_bypass_lead_joins_buses_in_place_of_an_unplugged_gateway() -> None:
    """Both wires of both buses, in the gateway's own connector."""
    car = after("unplug GATEWAY", "bypass GATEWAY diag to powertrain and chassis")
    [lead] = car.harness.leads.values()
    pins = {
        leg: {MINIBUS.pin_of("GATEWAY", f"{bus}.{leg}") for bus in ("diag", "powertrain", "chassis")}
        for leg in "HL"
    }
    ids = {leg: {pin.id for pin in found if pin} for leg, found in pins.items()}
    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((part.a, part.b) for part in lead.parts)
    assert sorted(map(sorted, ids.values())) == sorted(map(sorted, nx.connected_components(graph)))
    assert all(isinstance(part, Wire) for part in lead.parts)
    assert {"unplugged": {"GATEWAY.C1"}} == changed(parse_edit("unbypass GATEWAY", car).apply(car))


def test_two_faults_of_one_part_are_mended_together() -> None:
    """One repair ends all faults of its part."""
    assert {} == changed(after("corrode G7 5 ohm", "open G7", "repair G7"))
    assert {} == changed(after("blow F12", "pull F12", "fit F12"))
    assert {} == changed(after("pull F12", "fit F12 30 A", "fit F12"))


def test_a_right_fuse_takes_the_place_of_a_wrong_one() -> None:
    """The last fuse that is fitted counts."""
    assert {"fitted_a": {"F12": 30}} == changed(after("fit F12 20 A", "fit F12 30 A"))


def test_a_battery_charged_as_it_was_is_no_change() -> None:
    """The file's own charge leaves no trace; a low charge is a fault and a high one a repair."""
    assert {} == changed(after("charge 30 %", "charge 95 %"))
    assert ("fault", "repair") == tuple(parse_edit(f"charge {pct} %", MINIBUS).kind for pct in (30, 95))


def test_an_open_part_no_longer_conducts() -> None:
    """What is unplugged, pulled, blown or open is not whole, a relay's coil and contact included."""
    for sentence, part in [
        ("unplug TCM", "TCM.C1.2"),
        ("pull F12", "F12"),
        ("blow F12", "F12"),
        ("pull K3", "K3"),
        ("pull K3", "K3.coil"),
        ("open G7", "G7"),
    ]:
        assert MINIBUS.is_whole(MINIBUS.elements[part])
        assert not after(sentence).is_whole(MINIBUS.elements[part]), sentence


def test_an_edit_leaves_the_car_before_it_alone() -> None:
    """A car is immutable: an edit makes a new one."""
    before = MINIBUS.harness
    after("unplug TCM", "pull F12", "corrode G7 1 ohm", "theory ECM waits for TRAILER")
    assert before == MINIBUS.harness == HarnessState()


def test_every_verb_is_told_in_the_rooms_own_list() -> None:
    """The list of sentences at the top of the file is what people read."""
    import sim.vehicle.edits as edits

    told = {word for word in (edits.__doc__ or "").replace("`", " ").split() if word in EDIT_VERBS}
    assert EDIT_VERBS == told


# -- sentences that make no sense ----------------------------------------------------------------------

MISTAKES = [
    ("", "an empty edit"),
    ("unplgu ECM.C1", "no edit begins with 'unplgu'; did you mean 'unplug'?"),
    ("unplug", "'unplug' takes one name (here: '')"),
    ("unplug ECM.C1 ECM.C2", "'unplug' takes one name (here: 'ECM.C1 ECM.C2')"),
    ("unplug ECM", "ECM has more than one connector; say which: ECM.C1, ECM.C2"),
    ("unplug EMC.C1", "no connector 'EMC.C1' in this car; did you mean 'ECM.C1'?"),
    ("unplug tcm", "no connector 'tcm' in this car; did you mean 'TCM'?"),
    ("plug ECM.C1", "ECM.C1 is plugged in already"),
    ("pull F-12", "no fuse or relay 'F-12' in this car; did you mean 'F12'?"),
    ("pull f12", "no fuse or relay 'f12' in this car; did you mean 'F12'?"),
    ("fit F12", "F12 is in and whole already"),
    ("fit K3 20 A", "K3 is no fuse: it has no rating"),
    ("fit F12 20 V", "'fit F12' needs a number in A (here: '20 V')"),
    ("fit F12 0 A", "'fit F12' takes 0.5 to 500 A (here: 0)"),
    ("blow F", "no fuse 'F' in this car; did you mean 'F8'?"),
    ("repair G7", "G7 has nothing to repair"),
    ("open ECM.C1.99", "no pin, wire or ground point 'ECM.C1.99' in this car; did you mean 'ECM.C1.9'?"),
    ("corrode G7", "'corrode G7' needs a number in ohm (here: '')"),
    ("corrode G7 much", "'corrode G7' needs a number in ohm (here: 'much')"),
    ("corrode G7 -1 ohm", "'corrode G7' takes 0.001 to 1e+07 ohm (here: -1)"),
    ("corrode G7 nan ohm", "'corrode G7' takes 0.001 to 1e+07 ohm (here: nan)"),
    ("short ECM.C1.1 BODY", "write 'short TERMINAL to TERMINAL'"),
    ("short BODY to BODY", "BODY cannot be joined to itself"),
    ("short BOBY to BAR", "no terminal 'BOBY' in this car; did you mean 'BODY'?"),
    ("remove short BAR to BODY", "there is no 'short BAR to BODY' to remove"),
    ("bypass GATEWAY", "write 'bypass GATEWAY BUS to BUS', for example 'bypass GATEWAY diag to powertrain'"),
    ("bypass GATEWAY diag to and", "a bypass lead joins different buses"),
    ("bypass GATEWAY diag to diag", "a bypass lead joins different buses"),
    (
        "bypass GATEWAY diag to upfit",
        "GATEWAY is not on a bus 'upfit'; known: body, chassis, comfort, diag, powertrain",
    ),
    ("bypass ECM diag to body", "no gateway 'ECM' in this car; known: GATEWAY, UPFIT"),
    ("bypass GATEWAY diag to body", "unplug GATEWAY first: the lead goes into its connector"),
    ("unbypass GATEWAY", "no bypass lead sits at GATEWAY"),
    ("stick UPFIT", "UPFIT is on more than one bus; say which: UPFIT.body, UPFIT.upfit"),
    (
        "babble TMC.powertrain",
        "no bus connection of a module 'TMC.powertrain' in this car; did you mean 'TCM.powertrain'?",
    ),
    ("set TCM.powertrain to 500 kbit/s", "500 kbit/s is the rate that the bus of TCM.powertrain has"),
    (
        "set TCM.powertrain to 300 kbit/s",
        "write 'set CHANNEL to 125 or 250 or 500 or 1000 kbit/s', such as 'set TCM.powertrain to 250 kbit/s'",
    ),
    ("replace F12", "no module 'F12' in this car"),
    ("charge 101 %", "'charge' takes 0 to 100 % (here: 101)"),
    ("charge full", "'charge' needs a number in % (here: 'full')"),
    ("theory ECM waits for TRALER", "no module 'TRALER' in this car; did you mean 'TRAILER'?"),
    ("theory ECM waits for ECM", "ECM cannot wait for itself"),
    ("theory bdoy runs through DOOR-LEFT", "no bus 'bdoy' in this car; did you mean 'body'?"),
    (
        "theory upfit runs through SLIDE-DOR",
        "no module 'SLIDE-DOR' on the line of upfit; did you mean 'SLIDE-DOOR'?",
    ),
    ("theory F-12 feeds TRAILER", "no fuse 'F-12' in this car; did you mean 'F12'?"),
    ("theory F7 feeds TRALER", "no fuse feeds 'TRALER'; did you mean 'TRAILER'?"),
    (
        "theory the car is haunted",
        "'theory the car is haunted' is none of: 'theory ECM waits for TRAILER', "
        "'theory body runs through DOOR-LEFT', 'theory F7 feeds TRAILER.B+', "
        "'theory TCM shuts down when code P0562 in ECM'",
    ),
]


@pytest.mark.parametrize(("sentence", "reason"), MISTAKES)
def test_a_mistake_is_answered_in_one_sentence_with_the_nearest_right_name(
    sentence: str, reason: str
) -> None:
    """Each mistake gets one sentence with its value, the limit or the nearest right name."""
    with pytest.raises(EditProblem) as caught:
        parse_edit(sentence, MINIBUS).apply(MINIBUS)
    assert reason == str(caught.value)


@pytest.mark.parametrize(
    ("done", "again", "reason"),
    [
        ("unplug X5", "unplug X5", "X5 is unplugged already"),
        ("pull F12", "pull F12", "F12 is out already"),
        ("blow F12", "blow F12", "F12 is blown already"),
        ("open G7", "open G7", "G7 is open already"),
        ("stick TCM", "stick TCM.powertrain", "'stick TCM.powertrain' has been done already"),
    ],
)
def test_a_thing_is_done_once(done: str, again: str, reason: str) -> None:
    """What is off, out, blown or open already is not done again."""
    with pytest.raises(EditProblem) as caught:
        after(done, again)
    assert reason == str(caught.value)


def test_a_connector_with_a_bypass_lead_in_it_cannot_be_plugged() -> None:
    """The lead comes off first."""
    with pytest.raises(EditProblem) as caught:
        after("unplug GATEWAY", "bypass GATEWAY diag to powertrain", "plug GATEWAY")
    assert "a bypass lead sits in GATEWAY.C1; take it off first ('unbypass GATEWAY')" == str(caught.value)


def test_a_right_module_ends_all_that_is_wrong_inside_and_nothing_else() -> None:
    """A new module has a right bit rate and no fault inside; wiring and other modules stay as they are."""
    inside = ("stick TCM", "babble TCM", "set TCM to 125 kbit/s")
    assert {"opened": {"TCM.C1.2"}, "stuck": {"ECM.powertrain"}} == changed(
        after("open TCM.C1.2", "stick ECM", *inside, "replace TCM")
    )
    car = after("set TCM to 125 kbit/s")
    assert 125_000 == car.transceivers["TCM.powertrain"].bitrate_bps
    assert MINIBUS.transceivers == parse_edit("replace TCM", car).apply(car).transceivers


# -- theories ------------------------------------------------------------------------------------------


def test_a_theory_about_starting_up_changes_what_a_module_waits_for_and_needs() -> None:
    """The trailer module's message must then also find its way to the engine module."""
    car = after("theory ECM waits for TRAILER")
    assert ("TRAILER",) == car.built.modules["ECM"].waits_for
    assert "TRAILER.trailer" in car.messages.needs["ECM"]
    ways = {(r.gateway, r.to_bus) for r in car.messages.routes if r.message == "TRAILER.trailer"}
    assert ways >= {("UPFIT", "body"), ("GATEWAY", "powertrain")}


def test_a_theory_about_a_line_lets_it_run_through_a_connector() -> None:
    """DOOR-LEFT unplugged then cuts the body bus behind it."""

    def joined(car: Car) -> bool:
        return nx.has_path(copper(car), "BCM:body.H", "LAMPS-REAR:body.H")

    assert [True, True, False] == [
        joined(after("unplug DOOR-LEFT")),
        joined(after("theory body runs through DOOR-LEFT")),
        joined(after("theory body runs through DOOR-LEFT", "unplug DOOR-LEFT")),
    ]


def test_a_theory_keeps_the_terminator_of_a_line_end() -> None:
    """A line that runs through its last module still ends in that module's terminator."""
    car = after("theory upfit runs through TRAILER")
    assert "TRAILER" in {stop.name for stop in car.built.buses["upfit"].stops if stop.is_through}
    assert "TRAILER:upfit.terminator" in car.elements


def test_a_theory_about_a_fuse_moves_one_consumer() -> None:
    """The consumer goes dark with the fuse of the theory and no longer with that of the diagram."""

    def live(*sentences: str) -> bool:
        return nx.has_path(copper(after(*sentences)), "BAT+", "TRAILER:B+")

    theory = "theory F7 feeds TRAILER.B+"
    assert (False, True) == (live("pull F77"), live("pull F7"))
    assert (True, False) == (live(theory, "pull F77"), live(theory, "pull F7"))


def test_what_the_diagram_shows_stays_as_it_was() -> None:
    """Only what the car is built like changes; the person at the diagram does not see a theory."""
    car = after("theory F7 feeds TRAILER.B+", "theory ECM waits for TRAILER")
    assert MINIBUS.claimed == car.claimed != car.built


def test_a_theory_keeps_the_faults() -> None:
    """Faults put in before a theory are there after it."""
    sentences = ("unplug TCM", "pull F12", "charge 40 %", "theory ECM waits for TRAILER")
    assert changed(after(*sentences[:3])) == changed(after(*sentences))


@pytest.mark.parametrize(
    "theory",
    [
        "body runs through DOOR-LEFT",
        "body runs through BCM",
        "F7 feeds TRAILER",
        "F1 feeds ECM.IGN",
        "ECM waits for TRAILER",
    ],
)
def test_no_cavity_gets_another_number_by_a_theory(theory: str) -> None:
    """Otherwise the same fault would be another one under the rival theory."""
    car = after(f"theory {theory}")

    def inner(car: Car) -> dict[str, str]:
        return {pin.id: pin.inner for pin in car.pins.values()}

    def supplied(car: Car) -> dict[str, set[str]]:
        """Which pins of modules each cavity of an in-line connector leads to, bus wires aside."""
        graph = copper(car)
        boxes = {f"{name}.{end}" for name in (*car.built.fuses, *car.built.relays) for end in (1, 2, 30, 87)}
        splices = {node for node in graph if node.startswith("SP.")}
        graph.remove_nodes_from({*boxes, *splices, *car.built.grounds})
        return {
            pin.id: {node for node in nx.node_connected_component(graph, pin.inner) if ":" in node}
            for plug in car.connectors.values()
            if plug.kind == "inline"
            for pin in plug.pins
            if not pin.function.endswith((".H", ".L"))
        }

    assert inner(MINIBUS).items() <= inner(car).items()
    assert supplied(MINIBUS) == supplied(car)


def test_theories_come_first_wherever_they_stand() -> None:
    """A fault at a pin that is there only by the theory may be written before it."""
    pin = (
        parse_edit("theory body runs through DOOR-LEFT", MINIBUS)
        .apply(MINIBUS)
        .pin_of("DOOR-LEFT", "body.H2")
    )
    assert pin is not None
    assert pin.id not in MINIBUS.pins
    car = apply_all(MINIBUS, [f"open {pin.id}", "theory body runs through DOOR-LEFT"])
    assert {"opened": {pin.id}} == changed(car)
    assert "DOOR-LEFT:body.H.through" in car.elements


# -- all faults ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["six-modules", "teaching-car", "shuttle-minibus", "small-estate", "regional-truck", "city-hatchback"],
)
def test_every_fault_of_the_catalogue_can_be_done_and_taken_back(name: str) -> None:
    """Every listed fault is in normal form, changes the harness, and has an undo."""
    car = shipped(name)
    faults = catalogue(car)
    assert len(faults) == len(set(faults))
    for sentence in faults:
        edit = parse_edit(sentence, car)
        broken = edit.apply(car)
        assert (sentence, "fault") == (edit.text, edit.kind)
        assert broken.harness != car.harness
        assert edit.undo is not None
        assert car.harness == parse_edit(edit.undo, broken).apply(broken).harness


def test_the_catalogue_misses_no_fuse_relay_connector_or_ground() -> None:
    """Whatever can be taken off, out or loose is in the catalogue."""
    faults = set(catalogue(MINIBUS))
    expected = {f"pull {name}" for name in (*MINIBUS.built.fuses, *MINIBUS.built.relays)}
    expected |= {f"unplug {name}" for name, plug in MINIBUS.connectors.items() if plug.kind != "dlc"}
    expected |= {f"open {name}" for name in MINIBUS.built.grounds}
    assert set() == expected - faults


FAULTS = [
    *catalogue(MINIBUS),
    "charge 20 %",
    "corrode G1 2 ohm",
    "fit F12 30 A",
    "short ECM.C1.1 to BODY 0.2 ohm",
]


@given(st.lists(st.sampled_from(FAULTS), max_size=12, unique=True))
def test_any_faults_taken_back_in_turn_leave_a_whole_car(sentences: list[str]) -> None:
    """Undoing in reverse order passes through every earlier state."""
    car, undo = MINIBUS, []
    states: list[HarnessState] = []
    for sentence in sentences:
        edit = parse_edit(sentence, car)
        if {edit.text, f"fit {sentence.split()[1]}"} & {sentence for sentence in undo if sentence}:
            continue  # a fuse that is out, and a wrong one in its place: one undo would take back both
        states.append(car.harness)
        car = edit.apply(car)
        assert edit.undo is not None
        undo.append(edit.undo)
    for sentence, state in zip(reversed(undo), reversed(states), strict=True):
        car = parse_edit(sentence, car).apply(car)
        assert state == car.harness
    assert HarnessState() == car.harness


@given(st.text(max_size=60))
def test_any_text_is_an_edit_or_one_clear_sentence(text: str) -> None:
    """No text gives a traceback."""
    refused_in_one_sentence(text)


@given(
    st.lists(
        st.sampled_from(
            [*sorted(EDIT_VERBS), "ECM", "GATEWAY", "F12", "G7", "ECM.C1.1", "to", "and", "diag", "body"]
        )
        | st.sampled_from(
            ["ohm", "A", "%", "1e999", "-3", "0.5", "waits", "for", "runs", "through", "feeds"]
        ),
        max_size=7,
    )
)
def test_any_words_of_the_language_are_an_edit_or_one_clear_sentence(words: list[str]) -> None:
    """No order of the language's own words gives a traceback."""
    refused_in_one_sentence(" ".join(words))


def refused_in_one_sentence(text: str) -> None:
    reason = None
    try:
        parse_edit(text, MINIBUS).apply(MINIBUS)
    except EditProblem as problem:
        reason = problem.what
    assert reason is None or (reason and "\n" not in reason)
