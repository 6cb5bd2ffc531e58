"""The page of the electric van: what the seat shows, and what is offered at an orange part."""

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.instruments.seat import seat_of
from tests.ui.test_pages import held_of, opened
from ui.drawing.dash import cluster
from ui.drawing.telltales import meaning_of

VAN = "parcel-van.yaml"


def test_the_cluster_says_vehicle_ready_and_the_charge_of_the_pack() -> None:
    """A car without an engine is ready or not; every lamp has a drawing of its own."""
    bench = Bench(find_car("parcel-van"), fidelity="stream")
    bench.do_all(["press start with brake", "wait 5 s"])
    seat = seat_of(bench)
    assert "vehicle <b>ready</b>" in cluster(seat)
    assert "pack <b>70 %</b>" in cluster(seat)
    assert "engine" not in cluster(seat)
    meanings = [meaning_of(lamp) for lamp in seat.lamps]
    assert "other" not in meanings
    assert len(set(meanings)) == len(meanings)


def test_an_orange_connector_is_inspected_or_handed_to_a_licensed_technician() -> None:
    """Nothing at it is unplugged; the caution names the standard and local law."""
    app = opened("bay", held_of(VAN, ("loosen HEATER-PLUG",)), "Part", part="connector HEATER-PLUG")
    offered = [one.label for one in app.button]
    assert "Hand to a licensed technician" in offered
    assert [] == [label for label in offered if label.startswith(("Unplug", "Plug "))]
    assert any("ISO 6469" in one.value and "Local law" in one.value for one in app.caption)
    app.button(key="refer_part").click().run()
    assert [] == [error.value for error in app.error]
    assert "refer HEATER-PLUG" in app.session_state["held"].bench.log


def test_a_sentence_about_an_orange_part_is_refused_with_what_can_be_done() -> None:
    """A probe at an orange part changes nothing and is told why."""
    app = opened("bay", held_of(VAN), "Work")
    app.text_input(key="sentence").input("unplug SERVICE-PLUG")
    app.button[[one.label for one in app.button].index("Do it")].click().run()
    (told,) = [error.value for error in app.error]
    assert told.startswith("SERVICE-PLUG is orange")
    assert "licensed technician" in told
    assert [] == app.session_state["held"].bench.log
