"""An accelerator pedal with two tracks: each has its range, and they must agree (common practice).

Numbers of the codes: SAE J2012 as listed by PyPI obd 0.7.3 (P2122, P2127, P2138), failure type 62 of two open
tables. The second track gives half the voltage of the first.
"""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.labels import pin_words
from sim.instruments.service import ServiceInformation
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text, read_car

TEACHING = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")


def codes(*given: str) -> set[str]:
    """Codes of the engine module with the ignition on for a while."""
    bench = Bench(car_from_text(TEACHING), given, fidelity="stream")
    bench.do_all(["key run", "wait 5 s"])
    stored = {one.code for one in bench.live.modules["ECM"].memory.dtcs if one.stored}
    for code in stored:
        assert [f"given: {one}" for one in given] == list(why_code(bench, "ECM", code).roots())
    return stored


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("open pedal_sensor.2", {"P2122-16"}),  # a broken wire: the code of its own track alone
        ("open pedal_sensor.5", {"P2127-16"}),
        ("short pedal_sensor.2 to pedal_sensor.1 0.05 ohm", {"P2123-17"}),
        ("short pedal_sensor.2 to pedal_sensor.5 0.05 ohm", {"P2138-62"}),  # both in range, and alike
        ("corrode pedal_sensor.1 400 ohm", {"P2138-62"}),
        ("short pedal_sensor.4 to pedal_sensor.6 0.05 ohm", {"P2127-16", "P0697-1C"}),
    ],
)
def test_each_fault_of_a_pedal_sets_the_code_that_fits(fault: str, expected: set[str]) -> None:
    """Range of one track, or disagreement where both are in range; each code ends at its fault."""
    assert expected == codes(fault)


def test_a_healthy_pedal_agrees_with_itself() -> None:
    """1.1 V and 0.55 V: twice the second is the first; no code, and the pins say which track they are of."""
    car = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
    bench = Bench(car, fidelity="stream")
    bench.do_all(["key run", "wait 5 s"])
    reading = bench.live.reading
    first_v, second_v = (reading.pin_v("ECM", pin) for pin in ("pedal", "pedal2"))
    assert (1.1, 0.55) == (pytest.approx(first_v, rel=0.01), pytest.approx(second_v, rel=0.01))
    assert set() == codes()
    claim = ServiceInformation(car)
    words = [pin_words(claim, pin) for pin in car.connectors["pedal_sensor"].pins]
    assert ["5 V supply", "signal", "sensor ground"] == words[:3]
    assert ["5 V supply of track 2", "signal of track 2", "sensor ground of track 2"] == words[3:]
    assert "signal of pedal sensor, track 2" == pin_words(claim, car.pins_by_function["ECM.pedal2"])


def test_a_comparison_with_an_unknown_pin_is_refused_with_the_nearest() -> None:
    """A vehicle file that compares with a pin of no sensor gets one clear error."""
    text = TEACHING.replace("agrees_with: pedal2", "agrees_with: pedal_2")
    with pytest.raises(FileProblem, match=r"no sensor pin 'pedal_2'.* did you mean 'pedal2'"):
        car_from_text(text)
