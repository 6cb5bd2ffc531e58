"""Cases: what was seen against what stories give."""

import textwrap
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

from sim.catalogue import shipped_cases, vehicle_text
from sim.lab.case import Case, CaseStep, Evidence, Story
from sim.lab.case_file import case_from_text, case_text, read_case
from sim.lab.compare import misses
from sim.lab.grid import Choice, run_grid
from sim.lab.report import DISCLAIMER
from sim.lab.run import FLOATING
from sim.lab.separation import RANKS, separations, table_rows
from sim.lab.sight import Sight, ThingKind
from sim.lab.stories import try_stories
from sim.lab.workshop import Workshop
from sim.vehicle.problems import EditProblem, FileProblem

SIX = """
case: A small one
about: invented
car: six-modules
steps:
  - do: [wait 1 s, press start, wait 6 s]
    seen: {ignition: run}
  - do: scan
    seen: {silent: TCM, answers: [ECM, CLUSTER], codes: [ECM U0101 present]}
  - {do: measure volts F2.2 to BAT-, seen: {reads: 0.0, within: 0.1}}
stories:
  fuse: {edits: pull F2}
  fuse and door: {edits: [pull F2, unplug AIRBAG]}
  plug: {says: its plug is off, edits: unplug TCM}
  nothing: {}
"""


def case(**changes: str) -> Case:
    text = SIX
    for old, new in changes.items():
        text = text.replace(old.replace("_", " "), new)
    return case_from_text(text)


def test_stories_are_ranked_by_how_far_they_carry(here: Workshop) -> None:
    """Stories that give everything come first, then those that go wrong latest."""
    table = try_stories(case(), workshop=here)
    assert ["fuse", "fuse and door", "plug", "nothing"] == [one.story for one in table.verdicts]
    assert ("fuse", "fuse and door") == table.tied
    assert table.words.startswith("A tie: 'fuse', 'fuse and door' all explain everything that was seen")
    plug, nothing = table.verdicts[2].first_miss, table.verdicts[3].first_miss
    assert plug is not None
    assert nothing is not None
    assert (3, "measure volts F2.2 to BAT-") == (plug.step, plug.what)
    assert 12.5 == pytest.approx(plug.by or 0.0, abs=0.3)
    assert (2, "TCM", "silent", "answers") == (nothing.step, nothing.what, nothing.seen, nothing.says)


def test_what_was_not_looked_at_is_not_absent(here: Workshop) -> None:
    """The second story has one silent module more; it was not looked at, so it does not count."""
    looked = SIX.replace("answers: [ECM, CLUSTER]", "answers: [ECM, CLUSTER, AIRBAG]")
    assert ("fuse",) == try_stories(case_from_text(looked), workshop=here).tied


def test_a_story_of_a_car_that_cannot_be_goes_wrong_before_the_first_step(here: Workshop) -> None:
    """Edits that contradict each other are a miss at step 0."""
    text = SIX.replace("nothing: {}", "twice: {edits: [fit F2]}")
    verdict = try_stories(case_from_text(text), workshop=here).verdicts[-1]
    assert verdict.first_miss is not None
    assert (0, "F2 is in and whole already") == (verdict.first_miss.step, verdict.first_miss.says)


def sight(**fields: object) -> Sight:
    plain = {"action": "scan", "time_s": 0.0, "engine": "stopped", "ignition": "run", "cluster": "awake"}
    return Sight(**{**plain, **fields})  # type: ignore[arg-type]


SCANNED = sight(
    power=True,
    answering=("ECM", "CLUSTER"),
    silent=("TCM",),
    codes=(("ECM", "U0101-87", "present"), ("ECM", "U0121-87", "stored")),
    lit=("mil",),
    dark=("abs",),
    cranked=True,
)
MEASURED = sight(display="11.90 V", reading=11.9)


@pytest.mark.parametrize(
    ("seen", "last", "expected"),
    [
        (Evidence(), SCANNED, []),
        (Evidence(engine="stopped", ignition="run", cluster="awake", cranks=True, starts=False), SCANNED, []),
        (Evidence(engine="running"), SCANNED, [("engine", "running", "stopped")]),
        (Evidence(cranks=False), SCANNED, [("starter", "did not turn", "turned")]),
        (Evidence(lit=("mil",), dark=("abs",)), SCANNED, []),
        (Evidence(lit=("abs",)), SCANNED, [("lamp abs", "lit", "dark")]),
        (Evidence(tester_power=False), SCANNED, [("tester", "no power", "has power")]),
        (Evidence(answers=("TCM",)), SCANNED, [("TCM", "answers", "silent")]),
        (Evidence(silent=("ECM",)), SCANNED, [("ECM", "silent", "answers")]),
        (Evidence(silent=("ECM",)), MEASURED, [("ECM", "silent", "not scanned")]),
        (Evidence(codes=("ECM U0101", "ECM U0121-87 stored")), SCANNED, []),
        (Evidence(codes=("ECM U0101 stored",)), SCANNED, [("ECM U0101", "stored", "present")]),
        (Evidence(codes=("CLUSTER U0101",)), SCANNED, [("CLUSTER U0101", "held", "no code")]),
        (Evidence(codes=("TCM U0100",)), SCANNED, [("TCM U0100", "held", "silent")]),
        (Evidence(no_codes=("CLUSTER", "ECM U0140")), SCANNED, []),
        (
            Evidence(no_codes=("ECM",)),
            SCANNED,
            [("ECM", "no code", "U0101-87 present, U0121-87 stored")],
        ),
        (Evidence(no_codes=("TCM",)), SCANNED, [("TCM", "no code", "silent")]),
        (
            Evidence(codes=("ECM U0101",), no_other_codes=True),
            SCANNED,
            [("ECM U0121-87", "no code", "stored")],
        ),
        (Evidence(reads=12.0, within=0.1), MEASURED, []),
        (Evidence(reads="floating"), MEASURED, [("scan", FLOATING, "11.90 V")]),
        (Evidence(reads=12.0, within=0.1), SCANNED, [("scan", "12 ± 0.1", "nothing was measured")]),
        (Evidence(shows="11.9"), MEASURED, []),
        (Evidence(shows="unplugged"), MEASURED, [("scan", "unplugged", "11.90 V")]),
        (Evidence(shows="unplugged"), SCANNED, [("scan", "unplugged", "nothing was inspected")]),
        (Evidence(cannot=True), SCANNED, [("scan", "cannot be done", "can be done")]),
        (Evidence(), sight(refused="F2 is out"), [("scan", "can be done", "cannot be done: F2 is out")]),
        (Evidence(cannot=True), sight(refused="F2 is out"), []),
        (Evidence(done=("ECM",), denied=("CLUSTER",)),
         sight(asked=(("ECM", "done"), ("CLUSTER", "refused"))), []),
        (Evidence(no_answer=("ECM",)), sight(asked=(("ECM", "done"),)), [("scan: ECM", "no answer", "done")]),
    ],
)  # fmt: skip
def test_each_kind_of_observation(seen: Evidence, last: Sight, expected: list[tuple[str, str, str]]) -> None:
    """Every field of the evidence is compared, and a difference names both sides."""
    found = misses(CaseStep(do=(last.action,), seen=seen), [last])
    assert expected == [(one.what, one.seen, one.says) for one in found]


def test_a_reading_that_is_off_tells_by_how_much() -> None:
    """A miss of a reading holds the distance beyond its tolerance, and every figure has its unit."""
    step = CaseStep(do=("measure",), seen=Evidence(reads=12.4, within=0.2))
    found = misses(step, [replace(MEASURED, action="measure volts ECM.C1.1 to G2")])
    assert [0.3] == pytest.approx([one.by for one in found])
    told = "seen 12.4 ± 0.2 V, this story says 11.90 V, off by 0.3 V more than allowed"
    assert str(found[0]).endswith(told)


@pytest.mark.parametrize(
    ("reads", "within", "reading", "by"),
    [
        (12.5, 0.3, 12.2, []),  # decimals whose difference is not 0.3 in binary, on either side of it
        (12.5, 0.3, 12.8, []),
        (11.9, 0.1, 12.0, []),
        (12.1, 0.1, 12.0, []),
        (0.0, 0.05, -0.05, []),
        (60.0, 0.0, 60.0, []),
        (12.5, 0.3, 12.4, []),
        (12.5, 0.3, 12.199, [0.001]),
        (12.5, 0.3, 12.801, [0.001]),
        (0.0, 0.05, -0.051, [0.001]),
        (60.0, 0.0, 59.999, [0.001]),
    ],
)
def test_a_reading_on_the_edge_of_its_tolerance_is_in_and_a_digit_beyond_is_out(
    reads: float, within: float, reading: float, by: list[float]
) -> None:
    """The tolerance is inclusive."""
    seen = Evidence(reads=reads, within=within)
    found = misses(CaseStep(do=("measure",), seen=seen), [sight(display="shown", reading=reading)])
    assert by == pytest.approx([one.by for one in found])


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("car: six-modules", "car: six-module", "line 4, car: no car 'six-module'; did you mean 'six-m"),
        ("silent: TCM", "silent: TMC", "line 9, steps > 1 > seen > silent: no module 'TMC' in this car"),
        ("edits: pull F2}", "edits: pul F2}", "no edit begins with 'pul'; did you mean 'pull'?"),
        ("reads: 0.0, within: 0.1", "reads: 0.0", "'reads' needs 'within'"),
        ("ECM U0101 present", "ECM U0101 lit", "'ECM U0101 lit' is not a module with a code"),
        ("silent: TCM", "quiet: TCM", "unknown key 'quiet'"),
        ("{ignition: run}", "{ignition: on}", "'ignition' is one of 'off', 'accessory'"),
        ("{ignition: run}", "{lit: mil}", "no telltale 'mil' in this car"),
    ],
)
def test_a_case_file_with_a_mistake_is_refused_in_one_sentence(old: str, new: str, sentence: str) -> None:
    """Each mistake gives one error with file, line and the nearest right name."""
    assert old in SIX
    with pytest.raises(FileProblem) as problem:
        case_from_text(SIX.replace(old, new), "small.yaml")
    assert sentence in str(problem.value)


def test_an_experiment_that_tells_two_stories_apart(here: Workshop) -> None:
    """An experiment groups the stories by what it would show and lists the differences."""
    small = case()
    two = {name: small.stories[name] for name in ("fuse", "fuse and door")}
    first, second = separations(small, two, [["wait 1 s"], ["scan"]], workshop=here)
    assert (("scan",), True) == (first.experiment, first.separates)
    assert ("AIRBAG (after 'scan', action 1 of the experiment)", ("answers", "silent")) in [
        (str(thing), values) for thing, values in first.shows
    ]
    assert (("wait 1 s",), (("fuse", "fuse and door"),)) == (second.experiment, second.groups)


def test_an_experiment_that_cannot_be_done_under_any_story_is_refused(here: Workshop) -> None:
    """An experiment that is impossible under all stories raises an error."""
    small = case()
    with pytest.raises(EditProblem, match="the experiment cannot be done: F1 is in and whole already"):
        separations(small, small.stories, [["fit F1"]], workshop=here)


# -- the cases that come with busbay -----------------------------------------------------------------------


def test_there_are_three_invented_cases() -> None:
    """Three cases come with busbay."""
    cases = [read_case(path) for path in shipped_cases().values()]
    assert len(cases) >= 3
    assert all("nvented" in one.about for one in cases)


@pytest.mark.parametrize(
    ("name", "answer"),
    [("beehive-ground", "ground point G3"), ("radio-taxi", "line through the telematics plug")],
)
def test_one_story_gives_everything(name: str, answer: str, here: Workshop) -> None:
    """In each case that comes with busbay, one story alone explains everything that was seen."""
    table = try_stories(read_case(shipped_cases()[name]), workshop=here)
    assert f"Only '{answer}' explains everything that was seen." == table.words
    assert all(one.misses for one in table.verdicts[1:])
    assert DISCLAIMER in unescape(table.as_html())


def test_the_compound_is_a_tie_that_one_experiment_of_eight_breaks(here: Workshop) -> None:
    """An unplugged module, a missing fuse and a bypassed gateway; two theories of the car's design."""
    table = try_stories(read_case(shipped_cases()["ferry-night"]), workshop=here)
    assert ("line through the gearbox", "engine waits") == table.tied
    assert 8 == len(table.separations)
    assert [("plug TCM", "wait 5 s", "scan")] == [
        one.experiment for one in table.separations if one.separates
    ]
    shows = {str(thing): values for thing, values in table.separations[0].shows}
    assert ("stored", "nothing") == shows["ECM U0101-87 (after 'scan', action 3 of the experiment)"]
    assert "1 of 8 experiments would tell the tied stories apart" in table.as_html()


def test_the_compound_as_a_grid_of_its_parts(here: Workshop) -> None:
    """Either theory makes the unplugged module silence another one; the bypass hides all but one bus."""
    choices = [
        "unplug TCM",
        "pull F3",
        Choice("bypassed gateway", ("unplug GATEWAY", "bypass GATEWAY diag to powertrain")),
        "theory ECM waits for TCM",
    ]
    actions = ["wait 2 s", "press start with brake", "wait 6 s", "scan"]
    grid = run_grid(vehicle_text("shuttle-minibus"), choices, actions, workshop=here)
    found = {one.title: str(one.causes) for one in grid.symptoms}
    assert "unplug TCM and theory ECM waits for TCM" == found["ECM: silent"]
    assert "bypassed gateway" == found["BCM: silent"]
    assert "pull F3" == found["FUEL-PUMP: silent"]
    assert "unplug TCM or bypassed gateway" == found["engine cranks: no"]
    assert (
        "bypassed gateway"
        in next(one.causes for one in grid.symptoms if one.title == "CLUSTER U0101-87: present").hiders
    )


# -- a technician's own car ----------------------------------------------------------------------------------

OWN = vehicle_text("six-modules").replace("car: ", "car: My ", 1)


def indented(text: str) -> str:
    return textwrap.indent(text, "  ")


def own_case(how: str) -> str:
    """The small case about the technician's own car, which is in the file."""
    return SIX.replace("car: six-modules\n", "") + f"car:{how}\n{indented(OWN)}"


@pytest.mark.parametrize("how", [" |", ""], ids=["as text", "as keys and values"])
def test_a_case_holds_its_car_and_is_saved_and_read_again_with_it(how: str, here: Workshop) -> None:
    """Car and case in one file give what the case with the shipped car of that description gives."""
    own = case_from_text(own_case(how))
    assert "My " == own.whole_car.title[:3]
    assert own == case_from_text(case_text(own))
    expected, table = try_stories(case(), workshop=here), try_stories(own, workshop=here)
    assert [one.misses for one in expected.verdicts] == [one.misses for one in table.verdicts]


def test_a_case_keeps_its_car_to_the_letter() -> None:
    """Comments and the spelling of numbers stay: the car can be taken out of the case again."""
    own = case_from_text(own_case(" |"))
    assert OWN == own.vehicle == case_from_text(case_text(own)).vehicle


def test_a_case_names_its_car_by_a_path_from_its_own_folder(tmp_path: Path) -> None:
    """The file is looked for beside the case, not where the command runs, and is then part of the case."""
    (tmp_path / "van.yaml").write_text(OWN, encoding="utf-8")
    (tmp_path / "mine.yaml").write_text(SIX.replace("six-modules", "van.yaml"), encoding="utf-8")
    own = read_case(tmp_path / "mine.yaml")
    assert OWN == own.vehicle
    assert own == case_from_text(case_text(own))


@pytest.mark.parametrize("how", [" |", ""], ids=["as text", "as keys and values"])
def test_an_error_in_the_car_of_a_case_has_its_line_in_the_file(how: str) -> None:
    """The line counts from the beginning of the case file."""
    text = own_case(how).rstrip("\n") + "\n  nonsense: 1\n"
    with pytest.raises(FileProblem) as raised:
        case_from_text(text, "mine.yaml")
    assert (len(text.splitlines()), ("car", "nonsense")) == (raised.value.line, raised.value.path)
    assert raised.value.what.startswith("unknown key 'nonsense'")


def test_a_case_from_elsewhere_reads_no_file_of_this_computer(tmp_path: Path) -> None:
    """An uploaded case cannot look into the server's folders."""
    van = tmp_path / "van.yaml"
    van.write_text(OWN, encoding="utf-8")
    with pytest.raises(FileProblem, match=r"cannot be read from here: put its lines below 'car: \|'"):
        case_from_text(SIX.replace("six-modules", str(van)))
    with pytest.raises(FileProblem, match="no car 'six-module'; did you mean 'six-modules'"):
        case_from_text(SIX.replace("six-modules", "six-module"))


# -- what decides comes first --------------------------------------------------------------------------------


def test_the_table_of_an_experiment_says_who_answers_first_and_codes_last(here: Workshop) -> None:
    """Modules in one row, then the seat, then what was found in words, and one row per code."""
    tied = case(**{"  nothing: {}": "  nothing: {}\nexperiments: [[fit F2, plug AIRBAG, wait 6 s, scan]]"})
    two = {
        "fuse": Story(edits=("pull F2",)),
        "dark bus": Story(edits=("pull F2", "unplug AIRBAG", "pull F8")),
    }
    one, *_ = separations(tied, two, [("wait 6 s", "scan")], workshop=here)
    ranks = [thing.rank for thing, _ in one.shows]
    assert sorted(ranks) == ranks
    assert {RANKS[ThingKind.MODULE], RANKS[ThingKind.CODE]} <= set(ranks)
    rows = table_rows(one.shows)
    assert len({row[0] for row in rows}) == len(rows) < len(one.shows)


def test_the_sentence_that_decides_is_in_the_table(here: Workshop) -> None:
    """What the scope says in words separates stories, and is shown."""
    scope = "scope BCM.main.H to BODY for 400 us"
    alone = Story(edits=tuple(f"pull F{k}" for k in (1, 2, 3, 5, 6)))
    stories = {"healthy": Story(), "alone": alone}
    one, *_ = separations(case(), stories, [(scope,)], workshop=here)
    words = {str(thing): values for thing, values in one.shows if ", in words" in str(thing)}
    assert any("no node acknowledges them" in value for values in words.values() for value in values)
