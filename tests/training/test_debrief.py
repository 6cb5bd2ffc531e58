"""The debrief: every verdict on a hand-made log, its number worked out by hand; then on real cars."""

import re
from html.parser import HTMLParser
from math import log2

import pytest

from sim.lab.workshop import Workshop
from sim.training.attempt import HINT_MINUTES, Attempt
from sim.training.debrief import Debrief, debrief, first_read
from sim.training.debrief_page import as_html, as_markdown, sections
from sim.training.exercise import Exercise, find_exercise, read_exercise, shipped_exercises
from sim.training.forecast import RunSuspects
from sim.training.hand_in import NO_FAULT
from sim.training.jobs import WorkStep
from sim.training.step_judge import Judged, Ruling, StepJudge
from sim.training.suspects import entropy_bits
from sim.vehicle.problems import EditProblem
from tests.training.hand_made import HandMade, check, step

QUARTER_BITS = -(0.25 * log2(0.25) + 0.75 * log2(0.75))  # 0.811
LIVE_OHMS = "measure ohms F2.2 to BODY"


def judged(model: HandMade | None, *steps: WorkStep) -> list[Judged]:
    return list(StepJudge(steps, model).judged())


def test_a_check_that_halves_four_suspects_is_worth_one_bit() -> None:
    """A check that splits four equal suspects in halves is informative, with one bit."""
    (one,) = judged(HandMade((1, 1, 1, 1), ("aabb",)), step("look F3"))
    reason = "4 possible causes would have shown 2 different things"
    assert Judged(step("look F3"), Ruling("informative", reason, 1.0, "bits"), 2) == one


def test_weights_count() -> None:
    """Expected bits follow the weights of suspects, not their number."""
    (one,) = judged(HandMade((3, 1), ("ab",)), step("look F3"))
    assert "informative" == one.ruling.verdict
    assert pytest.approx(QUARTER_BITS) == one.ruling.number


def test_a_check_is_judged_by_what_was_expected_and_not_by_luck() -> None:
    """One suspect of a hundred shows something else, and it happens to be the true one."""
    (one,) = judged(HandMade((1,) * 100, ("a" + "b" * 99,)), step("look F3"))
    assert 1 == one.left
    assert pytest.approx(0.0808, abs=1e-4) == one.ruling.number


def test_a_check_that_all_suspects_answer_alike_is_redundant_whatever_their_weights() -> None:
    """A check that cannot tell the possible causes left apart is redundant."""
    first, second = judged(HandMade((9, 1, 1), ("aab", "ccd")), step("look F3"), step("scan"))
    assert "informative" == first.ruling.verdict
    reason = "all 2 possible causes left would have shown the same"
    assert Judged(step("scan"), Ruling("redundant", reason, 0.0, "bits"), 2) == second


def test_a_check_is_weak_below_a_quarter_of_the_best_per_minute() -> None:
    """The scope tells one suspect from three, 0.811 bits in 6 min; a look tells all, 2 bits in 2 min."""
    best = (check("look F3", 2.0),)
    model = HandMade((1, 1, 1, 1), ("abbb",), best, ("abcd",))
    (one,) = judged(model, step("scope DLC.6 to DLC.4 for 2 ms", 6.0))
    assert ("weak", "of the best per minute") == (one.ruling.verdict, one.ruling.unit)
    assert pytest.approx(QUARTER_BITS / 6) == one.ruling.number
    assert "“Inspect F3” offered 7 times as much per minute" in one.ruling.reason
    (one,) = judged(model, step("measure volts F3.2 to G2", 3.0))
    assert "informative" == one.ruling.verdict, "a little more than a quarter"


def test_switching_on_is_no_check_unless_it_tells_something() -> None:
    """An action that is no check is judged only where it tells suspects apart."""
    first, second = judged(HandMade((1, 1), ("aa", "ab")), step("key run", 0.1), step("wait 5 s", 0.1))
    assert ("", None) == (first.ruling.verdict, first.ruling.number)
    assert ("informative", 1.0) == (second.ruling.verdict, second.ruling.number)


def test_after_a_repair_a_check_is_a_verification_and_never_redundant() -> None:
    """A check that tells nothing new is redundant before a repair and a verification after it."""
    model = HandMade((1, 1), ("aa", "ab", "cd", "ee", "ef"), at_fault={1: (0,)})
    steps = [step("scan"), step("plug ABS.C1"), step("scan"), step("look X1"), step("look X2")]
    verdicts = [one.ruling.verdict for one in judged(model, *steps)]
    assert "redundant" == verdicts[0]
    assert ["verification", "verification", "verification"] == verdicts[2:]


def test_a_check_made_again_after_a_repair_is_a_verification_even_where_it_tells() -> None:
    """The same look as before, and another suspect out: it was made to see whether the repair held."""
    model = HandMade((1, 1, 1, 1), ("aabb", "aaaa", "ab__"), at_fault={1: (0, 1)})
    third = judged(model, step("look F6"), step("fit F6"), step("look F6"))[2]
    assert ("verification", 2.0) == (third.ruling.verdict, third.ruling.number)


def test_a_second_search_after_a_repair_is_still_a_search() -> None:
    """A new check after a repair that tells suspects apart is informative."""
    model = HandMade((1, 1, 1, 1), ("aabb", "aaaa", "ab__"), at_fault={1: (0, 1)})
    third = judged(model, step("look F6"), step("fit F6"), step("look TCM.C1"))[2]
    assert ("informative", 1.0) == (third.ruling.verdict, third.ruling.number)


def test_a_repair_before_a_shorter_check_would_have_told_is_premature() -> None:
    """Four suspects, in one of them the part is at fault; a look of two minutes tells it."""
    model = HandMade((1, 1, 1, 1), ("abbb",), (check("look ECM.C1", 2.0),), ("abbb",), {0: (0,)})
    (one,) = judged(model, step("repair ECM.C1.3", 15.0))
    assert ("premature replacement", 0.25) == (one.ruling.verdict, one.ruling.number)
    assert (
        "3 of 4 possible causes leave this part healthy, and “Inspect ECM.C1” would have told in less time"
        == one.ruling.reason
    )


def test_a_repair_is_no_replacement_before_its_time_where_nothing_shorter_tells() -> None:
    """A repair is premature only where a shorter check would have told."""
    long = HandMade((1, 1), ("ab",), (check("look ECM.C1", 20.0),), ("ab",), {0: (0,)})
    blind = HandMade((1, 1), ("ab",), (check("look ECM.C1", 2.0),), ("aa",), {0: (0,)})
    sure = HandMade((1, 1), ("aa",), (check("look ECM.C1", 2.0),), ("ab",), {0: (0, 1)})
    equal = HandMade((1, 1), ("ab",), (check("look ECM.C1", 15.0),), ("ab",), {0: (0,)})
    for model, chance in ((long, 0.5), (equal, 0.5), (blind, 0.5), (sure, 1.0)):
        (one,) = judged(model, step("repair ECM.C1.3", 15.0))
        assert ("repair", chance) == (one.ruling.verdict, one.ruling.number)


def test_a_repair_in_vain_is_premature_with_its_chance() -> None:
    """A repair in vain is premature, with the chance that it would have helped."""
    model = HandMade((3, 1), ("ab",), at_fault={0: (1,)})
    (one,) = judged(model, step("repair G2", 15.0, vain="G2 has nothing to repair"))
    assert ("premature replacement", 0.25) == (one.ruling.verdict, one.ruling.number)
    assert one.ruling.reason.startswith("G2 has nothing to repair; ")


def test_a_repair_in_vain_of_what_everything_points_to_is_not_premature() -> None:
    """No evidence spoke against it: all possible causes left say that this part is at fault."""
    (one,) = judged(HandMade((1, 1), ("aa",), at_fault={0: (0, 1)}), step("repair G2", 15.0, vain="no use"))
    assert ("repair", 1.0) == (one.ruling.verdict, one.ruling.number)


def test_a_start_that_is_made_again_after_a_repair_verifies_it() -> None:
    """No check in itself, but it tells: with half of the suspects the engine starts now."""
    model = HandMade((1, 1, 1, 1), ("aabb", "aaaa", "ab__", "aa__"), at_fault={1: (0, 1)})
    start = step("press start", 0.2)
    _, _, third, fourth = judged(model, start, step("fit F6"), start, step("wait 5 s", 0.1))
    assert ("verification", 2.0) == (third.ruling.verdict, third.ruling.number)
    assert ("", None) == (fourth.ruling.verdict, fourth.ruling.number), "it tells nothing"


def test_what_is_unsafe_says_so_first() -> None:
    """Dangers outrank every other verdict, with and without suspects."""
    dangers = ("the engine ran", "the airbag had supply")
    (one,) = judged(HandMade((1, 1), ("ab",)), step("plug AIRBAG.C1", dangers=dangers))
    assert ("unsafe", 2.0, "dangers") == (one.ruling.verdict, one.ruling.number, one.ruling.unit)
    assert "the engine ran; the airbag had supply" == one.ruling.reason
    (one,) = judged(None, step("plug AIRBAG.C1", dangers=dangers))
    assert "unsafe" == one.ruling.verdict


def test_putting_back_what_one_took_apart_is_no_repair() -> None:
    """Plugging in a connector that the same person unplugged gets no verdict."""
    model = HandMade((1, 1), ("aa", "aa"), at_fault={1: (0, 1)})
    assert "" == judged(model, step("unplug ECM.C1"), step("plug ECM.C1"))[1].ruling.verdict


def test_taking_a_clamp_off_is_no_repair_and_cleaning_it_is_one() -> None:
    """A battery clamp put on is no repair, a clamp mended is one."""
    model = HandMade((1, 1), ("aa", "aa", "aa"), at_fault={1: (0, 1), 2: (0, 1)})
    steps = (step("plug BAT.NEG"), step("repair BAT.NEG"), step("plug ABS.C1"))
    assert ["", "repair", "repair"] == [one.ruling.verdict for one in judged(model, *steps)]


def test_without_suspects_nothing_is_judged_but_safety() -> None:
    """Without suspects a check says that it was not measured."""
    one, two = judged(None, step("scan"), step("key run"))
    assert Ruling(reason="not measured yet") == one.ruling
    assert Ruling() == two.ruling


def test_entropy_of_the_textbook() -> None:
    """Entropy in bits of none, one and four outcomes is that of Shannon's definition."""
    assert 0.0 == entropy_bits([5.0])
    assert 0.0 == entropy_bits([])
    assert 0.0 == entropy_bits([0.0, 0.0])
    assert pytest.approx(1.75) == entropy_bits([0.5, 0.25, 0.125, 0.125])


# -- real cars ---------------------------------------------------------------------------------------------


def handed_in(exercise: Exercise, log: list[str]) -> Attempt:
    attempt = Attempt.replay(exercise, log)
    attempt.hand_in(exercise.arrives or ["no fault found"], "<b>the fuse</b> & more")
    return attempt


@pytest.fixture(scope="module")
def storage() -> Attempt:
    """The fuse left out, with a look at the wrong fuse, ohms on a live circuit and a pin mended in vain."""
    exercise = find_exercise("02")
    log = list(exercise.solution)
    scan = log.index("scan") + 1
    return handed_in(exercise, [*log[:scan], "look F4", LIVE_OHMS, "repair TCM.C1.3", *log[scan:]])


@pytest.fixture(scope="module")
def model(storage: Attempt) -> RunSuspects:
    return RunSuspects(storage, Workshop(workers=1))


def test_the_first_answer_is_against_the_likeliest_causes(storage: Attempt, model: RunSuspects) -> None:
    """A few causes are run: the true one and the likeliest; what a step showed is told as by the whole."""
    first = RunSuspects(storage, Workshop(workers=1), most=6)
    assert (6, len(model.suspects)) == (len(first.suspects), first.of)
    assert storage.exercise.arrives == first.suspects[first.truth].edits
    others = sorted((one.odds for k, one in enumerate(model.suspects) if k != model.truth), reverse=True)
    assert others[:5] == sorted(
        (one.odds for k, one in enumerate(first.suspects) if k != first.truth), reverse=True
    )
    assert "good method" in [one.ruling.verdict for one in debrief(storage, first).judged]


def test_the_checks_of_a_real_log(storage: Attempt, model: RunSuspects) -> None:
    """On a real car each kind of step gets its verdict, and the possible causes left never grow."""
    told = debrief(storage, model)
    verdicts = {one.step.action: one.ruling.verdict for one in reversed(told.judged)}
    assert "informative" == verdicts["scan"]
    assert "redundant" == verdicts["look F4"]
    assert "redundant" == verdicts[LIVE_OHMS], "a reading with a warning tells no suspects apart"
    assert "premature replacement" == verdicts["repair TCM.C1.3"]
    assert "repair" == verdicts["fit F2"]
    assert "verification" == told.judged[-2].ruling.verdict
    lefts = [one.left for one in told.judged]
    assert sorted(lefts, reverse=True) == lefts
    assert lefts[-1] >= 1
    assert model.suspects[model.truth].edits == storage.exercise.arrives
    scan = next(one for one in told.judged if one.step.action == "scan")
    assert scan.left < len(model.suspects) / 4


def test_the_short_way_begins_with_reading_all_modules_and_ends_at_the_truth(
    storage: Attempt, model: RunSuspects
) -> None:
    """The best route begins with a scan, never leaves more suspects and is shorter than the aim."""
    told = debrief(storage, model)
    assert ("press start", "wait 5 s", "scan") == told.route[0].actions
    lefts = [one.left for one in told.route]
    assert sorted(lefts, reverse=True) == lefts
    assert sum(one.minutes for one in told.route) < storage.exercise.minutes


def test_every_cause_leads_back_to_the_hidden_edit(storage: Attempt) -> None:
    """All that goes back to the same hidden edit is told in one chain, with the rest named."""
    told = debrief(storage)
    (chain,) = told.chains
    assert ["F2: missing"] == chain.tree.roots()
    assert {"TCM: no answer", "code U0101-87 in ECM"} <= {chain.title, *chain.also}
    assert chain.title not in chain.also


def test_the_number_of_causes_told_has_a_limit(storage: Attempt, monkeypatch: pytest.MonkeyPatch) -> None:
    """The debrief tells at most `MOST_CHAINS` chains of causes."""
    monkeypatch.setattr("sim.training.aftermath.MOST_CHAINS", 0)
    assert () == debrief(storage).chains


def test_who_was_still_possible_at_the_first_repair_and_was_not_named_was_omitted() -> None:
    """The look leaves three of four; of these one is the truth and one was named, wrongly."""
    attempt = Attempt.replay(find_exercise("02"), ["look F3", "fit F2"])
    attempt.hand_in(["unplug TCM.C1"], "")
    edits = ("pull F2", "unplug TCM.C1", "open TCM.C1.1", "unplug ABS.C1")
    model = HandMade((1, 1, 1, 1), ("aaab", "abcd"), at_fault={1: (0,)}, edits=edits)
    assert (("open TCM.C1.1",),) == debrief(attempt, model).omitted


def test_what_clearing_before_saving_has_erased() -> None:
    """Codes cleared before a report was saved are told; none are where one was saved."""
    exercise = find_exercise("02")
    log = [
        "press start",
        "wait 5 s",
        "scan",
        "clear",
        "press start",
        "fit F2",
        "press start",
        "wait 5 s",
        "scan",
    ]
    told = debrief(handed_in(exercise, log))
    assert any(line.startswith("ECM U0101-87 ") for line in told.lost)
    assert () == debrief(handed_in(exercise, list(exercise.solution))).lost


def test_no_debrief_before_handing_in() -> None:
    """A debrief before the hand-in is refused."""
    with pytest.raises(EditProblem, match="comes after handing in"):
        debrief(Attempt.begin(find_exercise("02")))


class Collector(HTMLParser):
    """Every tag and attribute of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs


def test_the_page_is_one_file_and_escapes_what_people_wrote(storage: Attempt, model: RunSuspects) -> None:
    """The printed debrief loads nothing and escapes every word that a person wrote."""
    storage.notes[:] = ['<script>alert("x")</script> | `*`']
    told = debrief(storage, model)
    page = as_html(told)
    found = Collector()
    found.feed(page)
    assert not {"script", "link", "img", "iframe", "b"} & set(found.tags)
    assert not {"src", "href"} & {name for name, _ in found.attributes}
    assert "url(" not in page
    assert {"svg", "table", "h2"} <= set(found.tags)
    assert "&lt;script&gt;" in page
    for words in ("What was wrong", "F2: missing", "could tell nothing new", "A short way for this car"):
        assert words in page
    text = as_markdown(told)
    assert "<script>" not in text
    assert "<b>" not in text
    assert r"\| \`\*\`" in text


def test_the_tone_is_kind(storage: Attempt, model: RunSuspects) -> None:
    """The debrief uses none of the words that blame."""
    words = as_markdown(debrief(storage, model)).lower()
    assert not re.search(r"\b(stupid|bad|fail(ed|ure)?|poor|never do|wasted|useless|your fault)\b", words)


def test_an_exercise_whose_solution_was_shown_says_so_kindly(storage: Attempt) -> None:
    """A debrief after the solution was shown says so in one added line."""
    told, usual = debrief(storage, after_showing=True), debrief(storage)
    new = [line for line in dict(sections(told))["Your way there"] if line not in _all_lines(usual)]
    assert 1 == len(new)
    assert "The solution was shown before you handed in." in new[0]
    assert "your own work" in new[0]


def one_of_each() -> list[str]:
    """An exercise of each car."""
    found = {name: read_exercise(path) for name, path in shipped_exercises().items()}
    return list({one.car: name for name, one in found.items()}.values())


@pytest.mark.parametrize("name", one_of_each())
def test_a_hint_and_nothing_else_ends_in_a_whole_debrief(name: str) -> None:
    """The debrief of an exercise of each car is whole when one hint was all the help."""
    attempt = Attempt.begin(find_exercise(name))
    attempt.hint()
    attempt.hand_in([NO_FAULT], "")
    told = debrief(attempt)
    assert any(f"1 hint, {HINT_MINUTES:g} minutes of these." in line for line in _all_lines(told))
    assert as_html(told).endswith("</html>\n")
    assert as_markdown(told).startswith("# Debrief: ")


def test_what_was_not_done_reads_so_beside_its_cross() -> None:
    """A hand-in of nothing has three crosses, each in plain words."""
    attempt = Attempt.begin(find_exercise("02"))
    attempt.hand_in([NO_FAULT], "")
    page = as_html(debrief(attempt))
    assert all(f">{words}</span>" in page for words in ("cause not named", "not repaired", "not proved"))


def _all_lines(told: Debrief) -> list[str]:
    return [line for _, lines in sections(told) for line in lines]


def test_the_progress_of_the_runs_is_one_that_never_goes_back(storage: Attempt) -> None:
    """All rounds together are told in hundredths of the whole, and end at all of it."""
    told: list[tuple[int, int]] = []
    RunSuspects(storage, Workshop(workers=1), progress=lambda done, of: told.append((done, of)))
    shares = [done / of for done, of in told]
    assert sorted(shares) == shares
    assert (0.0, 1.0) == (shares[0], shares[-1])
    assert {100} == {of for _, of in told}


def test_while_the_runs_go_on_nothing_is_said_of_how_many_causes_are_left(storage: Attempt) -> None:
    """What is not known yet is left out, and no count of none takes its place."""
    told = debrief(storage)
    for text in (as_html(told), as_markdown(told)):
        assert "0 possible cause" not in text
        assert "suspect" not in text
    assert {""} == {left for *_, left in _table(told)}


def _table(told: Debrief) -> list[list[str]]:
    """The rows of the table of checks, cell by cell."""
    lines = [line for line in as_markdown(told).splitlines() if re.match(r"\| [0-9]", line)]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]


def test_a_bar_tells_how_much_a_check_told(storage: Attempt, model: RunSuspects) -> None:
    """The most telling check has the longest bar, one that told nothing an empty one; no bits are named."""
    told = debrief(storage, model)
    bars = {row[1]: row[5] for row in reversed(_table(told))}
    assert 10 == max(bar.count("▮") for bar in bars.values())
    assert "▯" * 10 == bars["Inspect F4"]
    assert "bits" not in " ".join(bars.values())
    assert f"{len(model.suspects)} → " in next(row[6] for row in _table(told) if "→" in row[6])


def test_a_scan_after_the_repair_is_not_the_car_as_it_was_first_read() -> None:
    """The debrief's picture shows the fault, whenever the student scanned first."""
    exercise = find_exercise("02-left-in-storage")
    late = Attempt.replay(exercise, ["look F2", "fit F2", "press start", "scan"])
    assert ("look F2", "scan") == first_read(late)
    early = Attempt.replay(exercise, ["press start", "scan", "fit F2", "scan"])
    assert ("press start", "scan") == first_read(early)
    for attempt in (late, early):
        shown = Attempt.replay(exercise, first_read(attempt)).bench.last_report
        assert shown is not None
        assert ("TCM",) == shown.silent
