"""What follows for two faults from each of them alone: rule by rule, on footprints written by hand.

Against brute force the rules are held together in `test_search.py` and by `busbay check-search`.
"""

import pytest

from sim.catalogue import vehicle_text
from sim.lab.case import CaseStep, Evidence
from sim.lab.footprint import Footprint
from sim.lab.pairs import AGREES, Alone, Cell, Pairs, answered
from sim.lab.sight import Account, Sight, ThingKind
from sim.vehicle.edits import apply_all
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState

# that all of them answer agrees with the usual car
STEPS = (CaseStep(do=("scan",), seen=Evidence(answers=("ECM", "TCM", "ABS"))),)
SCAN = Sight("scan", 1.0, "stopped", "run", "awake", power=True, answering=("ECM", "TCM", "ABS", "CLUSTER"))
ACCOUNT = Account((SCAN,))
TCM, ECM = (Cell(1, name, ThingKind.MODULE, name) for name in ("TCM", "ECM"))


@pytest.fixture(scope="module")
def pairs() -> Pairs:
    """Of the teaching car: engine and gearbox modules are reached through its gateway GATEWAY."""
    return Pairs(car_from_text(vehicle_text("teaching-car")), STEPS, Footprint(ACCOUNT))


def fault(
    *differs: Cell,
    bad: tuple[Cell, ...] = (),
    lines: str = "",
    changed: str = "",
    told: str = "",
    carrying: str = "F9",
    opens: str = "F9",
    silent: tuple[tuple[int, str], ...] = (),
) -> Alone:
    mark = Footprint(
        ACCOUNT,
        changed=frozenset(changed.split()),
        told=frozenset(told.split()),
        carrying=frozenset(carrying.split()),
    )
    return Alone(
        mark,
        frozenset([opens]),
        frozenset(lines.split()),
        frozenset(differs),
        frozenset(bad),
        frozenset(silent),
    )


def test_two_that_have_nothing_in_common_do_what_each_does_alone(pairs: Pairs) -> None:
    """Two faults that share nothing contradict where either does alone."""
    wrong, right = fault(TCM, bad=(TCM,)), fault(ECM)
    assert 1 == pairs.first_contradiction(wrong, right) == pairs.first_contradiction(right, wrong)
    assert AGREES == pairs.first_contradiction(right, fault())


def test_of_several_contradictions_the_first_counts(pairs: Pairs) -> None:
    """The earliest step that a pair contradicts is returned."""
    later = fault(TCM._replace(step=2), bad=(TCM._replace(step=2),))
    first = fault(ECM, bad=(ECM,))
    assert 1 == pairs.first_contradiction(later, first) == pairs.first_contradiction(first, later)


def test_what_both_change_contradicts_only_where_it_does_with_either(pairs: Pairs) -> None:
    """What both faults change is a contradiction only if it is one with each of them."""
    wrong, other = fault(TCM, bad=(TCM,)), fault(TCM)
    assert 1 == pairs.first_contradiction(wrong, wrong)
    assert None is pairs.first_contradiction(wrong, other)
    assert None is pairs.first_contradiction(other, wrong)


def test_two_on_one_bus_line_are_run(pairs: Pairs) -> None:
    """Two faults on one bus line are not judged without a run."""
    wrong = fault(TCM, bad=(TCM,), lines="SP.powertrain.TCM.H")
    assert None is pairs.first_contradiction(wrong, fault(lines="SP.powertrain.TCM.H"))
    assert 1 == pairs.first_contradiction(wrong, fault(lines="SP.body.CLUSTER.H"))


def test_a_gateway_that_both_touch_leaves_open_who_is_reached_through_it(pairs: Pairs) -> None:
    """If both faults touch a gateway, nothing follows for the modules that are reached through it."""
    wrong = fault(TCM, bad=(TCM,), changed="GATEWAY")
    assert None is pairs.first_contradiction(wrong, fault(told="GATEWAY", lines="x"))
    wrong = fault(TCM, bad=(TCM,), changed="DOOR-LEFT")
    assert 1 == pairs.first_contradiction(wrong, fault(told="DOOR-LEFT", lines="x"))


def test_where_no_current_flows_another_opening_does_nothing_unless_it_is_on_a_line_or_shows(
    pairs: Pairs,
) -> None:
    """Opening a dead circuit adds nothing, except on a bus line or to the eye."""
    wrong = fault(TCM, bad=(TCM,), changed="GATEWAY")
    through = {"changed": "GATEWAY", "opens": "F2"}
    assert 1 == pairs.first_contradiction(wrong, fault(**through))  # type: ignore[arg-type]
    assert 1 == pairs.first_contradiction(wrong, fault(ECM, **through))  # type: ignore[arg-type]
    assert None is pairs.first_contradiction(wrong, fault(lines="x", **through))  # type: ignore[arg-type]
    looked_at = fault(Cell(1, "look F2"), **through)  # type: ignore[arg-type]
    assert None is pairs.first_contradiction(wrong, looked_at)
    assert None is pairs.first_contradiction(
        fault(TCM, bad=(TCM,), changed="GATEWAY", carrying="F2"),
        fault(ECM, **through),  # type: ignore[arg-type]
    )


def test_a_module_that_is_silent_with_one_of_them_tells_nothing_with_both(pairs: Pairs) -> None:
    """The code that contradicts is in a module that the other fault keeps from answering."""
    code = Cell(1, "TCM U0100", ThingKind.CODE, "TCM")
    wrong, silent = fault(code, bad=(code,)), fault(silent=((1, "TCM"),), lines="x")
    assert None is pairs.first_contradiction(wrong, silent)
    assert 1 == pairs.first_contradiction(wrong, fault(lines="x"))


def test_a_silent_module_must_be_silenced_by_one_of_them() -> None:
    """A silent module that neither fault silences contradicts the pair."""
    car = car_from_text(vehicle_text("teaching-car"))
    steps = (CaseStep(do=("scan",), seen=Evidence(answers=("ECM",), silent=("TCM", "CLUSTER"))),)
    usual = Footprint(ACCOUNT, asked=SwitchState(running=frozenset({"TESTER"})))
    pairs = Pairs(car, steps, usual)
    tells, other = fault(told="TCM ECM", lines="x"), fault(told="TCM ECM", lines="y")
    silences = [
        fault(TCM, Cell(1, name, ThingKind.MODULE, name), told="TCM ECM", silent=((1, name),))
        for name in ("TCM", "CLUSTER")
    ]
    assert 1 == pairs.first_contradiction(tells, other)
    assert 1 == pairs.first_contradiction(tells, silences[0])
    assert None is pairs.first_contradiction(*silences)
    assert {"CLUSTER"} == pairs.unsilenced(tells, silences[0])
    waits = apply_all(car, ["theory TCM waits for ABS"])  # so it may be silent without being cut off
    assert {"CLUSTER"} == Pairs(waits, steps, usual).unsilenced(tells, other)


def test_who_must_have_had_supply_for_this_to_be_seen() -> None:
    """Whoever answered, and the tester with them; a tester that has power proves itself."""
    seen = [
        Evidence(answers=("ECM",)),
        Evidence(tester_power=True),
        Evidence(codes=("ABS U0101",)),
        Evidence(silent=("TCM",)),
    ]
    assert [{"ECM", "TESTER"}, {"TESTER"}, {"ABS", "TESTER"}, set()] == [
        set(answered(CaseStep(do=("scan",), seen=one))) for one in seen
    ]


def test_the_last_scan_is_the_last_of_which_something_was_seen() -> None:
    """A later step without a list of who answered tells nothing of who was silent."""
    car = car_from_text(vehicle_text("teaching-car"))
    steps = (
        CaseStep(do=("scan",), seen=Evidence(answers=("ECM",))),
        CaseStep(do=("scan",), seen=Evidence(answers=("ECM",), silent=("TCM",))),
        CaseStep(do=("measure volts BAT+ to BAT-",), seen=Evidence(reads=12.6, within=0.5)),
    )
    usual = Footprint(Account((SCAN,) * 3), asked=SwitchState(running=frozenset({"TESTER"})))
    scanned = Pairs(car, steps, usual).scanned
    assert scanned is not None
    assert (2, {"ECM"}, {"TCM"}) == (scanned.step, scanned.answered, scanned.silent)
