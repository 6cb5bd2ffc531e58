"""What was touched or looked at is known as it was then; nothing else is."""

from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.training.attempt import Attempt
from sim.training.exercise import find_exercise
from sim.training.findings import Findings

MINIBUS = find_exercise("16-seats-out").whole_car


def known(given: list[str], *actions: str) -> Findings:
    bench = Bench(MINIBUS, given, fidelity="stream")
    found = Findings()
    for action in actions:
        do(bench, found, action)
    return found


def do(bench: Bench, found: Findings, text: str) -> None:
    """Do an action and note what it shows."""
    action = parse_action(text, bench.car)
    bench.do(text)
    found.note(action, bench.car)


def test_nothing_is_known_before_an_inspection() -> None:
    """Driving and scanning alone find no connector off and no fuse out."""
    found = known(["unplug ABS.C1", "pull F3"], "press start", "wait 5 s", "scan")
    assert (set(), set(), {}, set()) == (found.off, found.out, found.leads, found.checked)


def test_a_look_at_connector_module_or_fuse_shows_its_state() -> None:
    """Inspecting a connector, module or fuse finds its state and marks it checked."""
    found = known(["unplug ABS.C1", "pull F3"], "look ABS", "look F3", "look F11", "look TCM.C1")
    assert {"ABS.C1"} == found.off
    assert {"F3"} == found.out
    assert {"ABS.C1", "F3", "F11", "TCM.C1"} <= found.checked


def test_own_work_is_known_and_taken_back() -> None:
    """What a student unplugs, pulls or bypasses is known until it is put back."""
    found = known([], "unplug GATEWAY.C1", "bypass GATEWAY diag to powertrain", "pull F3")
    assert ({"GATEWAY.C1"}, {"F3"}) == (found.off, found.out)
    assert ["bypass GATEWAY diag to powertrain"] == [
        lead.partition(" by ")[0] for lead in sorted(found.leads)
    ]
    found = known(
        [],
        "unplug GATEWAY.C1",
        "bypass GATEWAY diag to powertrain",
        "unbypass GATEWAY",
        "plug GATEWAY.C1",
        "pull F3",
        "fit F3",
    )
    assert (set(), set(), {}) == (found.off, found.out, found.leads)


def test_a_fuse_that_blew_is_not_known_until_it_is_inspected() -> None:
    """A fuse that blew is known only after it was inspected."""
    bench = Bench(MINIBUS, ["short F3.2 to BODY"], fidelity="stream")
    found = Findings()
    assert "F3" in bench.car.harness.blown
    do(bench, found, "unplug ABS.C1")
    assert set() == found.out
    do(bench, found, "look F3")
    assert {"F3"} == found.out


def test_a_rewound_attempt_knows_only_what_is_left_of_its_log() -> None:
    """Rewinding forgets what later steps had found."""
    attempt = Attempt.begin(find_exercise("02-left-in-storage"), practice=True)
    attempt.do("scan")
    attempt.do("look F2")
    assert {"F2"} == attempt.found.out
    assert set() == attempt.rewind(1).found.out
