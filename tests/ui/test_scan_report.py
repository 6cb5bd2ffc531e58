"""A scan report pasted as text: into a case, and to see which codes matter."""

from sim.lab.case import CodeSeen

from .test_case_page import on_case_page
from .test_pages import held_of, opened, press

REPORT = (
    "Modul;Fehlercode;Zustand\nECM;U0121-87;vorhanden\nTCM;U0121;gespeichert\nABS;keine Antwort;\nwas ist das"
)


def test_a_pasted_report_becomes_a_step_of_the_case() -> None:
    """What is understood becomes a scan with its codes; what is not is shown before anything is added."""
    app = on_case_page("beehive-ground")
    before = app.session_state["case"].steps
    app.text_area(key="step_report").set_value(REPORT).run()
    assert any("line 5: was ist das" == one.value for one in app.text)
    press(app, "step_report_add")
    step = app.session_state["case"].steps[-1]
    assert (len(before) + 1, ("scan",)) == (len(app.session_state["case"].steps), step.do)
    assert (("ABS",), CodeSeen("ECM", "U0121-87", "present")) == (step.seen.silent, step.seen.codes[0])
    assert "" == app.text_area(key="step_report").value


def test_a_pasted_report_says_who_is_absent() -> None:
    """On Possible causes the absent module of a pasted report is named, without any scan in the bay."""
    app = opened("suspects", held_of("six-modules.yaml"))
    app.text_area(key="suspects_codes_text").set_value(REPORT).run()
    assert not app.exception
    assert "**ABS is absent: that explains 2 of 2 codes.**" in [one.value for one in app.markdown]


def test_a_report_is_pasted_and_added_at_once() -> None:
    """What the field holds when the button is pressed is added, though the page was not drawn again."""
    app = on_case_page("beehive-ground")
    app.text_area(key="step_report").set_value(REPORT)
    press(app, "step_report_add")
    assert ("ABS",) == app.session_state["case"].steps[-1].seen.silent


def test_what_else_was_seen_and_noted_goes_with_the_report() -> None:
    """Actions, lamps, a reading and the note in the fields above go into the report's step."""
    app = on_case_page("beehive-ground")
    app.text_area(key="step_do").set_value("wait 2 s").run()
    app.multiselect(key="step_seen").set_value(["engine stopped", "TCM is silent"]).run()
    app.text_input(key="step_note").set_value("towed in").run()
    app.text_area(key="step_report").set_value(REPORT).run()
    press(app, "step_report_add")
    step = app.session_state["case"].steps[-1]
    assert (("wait 2 s", "scan"), "towed in") == (step.do, step.note)
    assert ("stopped", ("ABS",)) == (step.seen.engine, step.seen.silent)
    assert ("", []) == (app.text_input(key="step_note").value, app.multiselect(key="step_seen").value)


def test_a_report_that_says_nothing_is_no_step() -> None:
    """A text without module or code adds nothing and says so."""
    app = on_case_page("beehive-ground")
    before = app.session_state["case"].steps
    app.text_area(key="step_report").set_value("it is dark in here")
    press(app, "step_report_add")
    assert before == app.session_state["case"].steps
    assert ["the report says nothing that is understood: paste its lines with modules and codes"] == [
        one.value for one in app.error
    ]
