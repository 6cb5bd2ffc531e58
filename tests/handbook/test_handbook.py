"""The handbook: complete, linked without a dead end, the same in browser and files, near at an error."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sim.cli import main
from sim.handbook import links, sentences, vehicle_file
from sim.handbook.book import TITLES, anchor, chapter, chapters, pages, section
from sim.handbook.glossary import COMMON_PRACTICE, meaning, standards, terms
from sim.handbook.links import Paragraph, paragraph_for
from sim.handbook.tables import rows
from sim.vehicle.edit import EDIT_KINDS
from sim.vehicle.problems import EditProblem, FileProblem, Problem
from sim.vehicle.reading import car_from_text
from ui.drawing.handbook_pictures import NAMED, PICTURES
from ui.registry import PAGES

ROOT = Path(__file__).parents[2]
LINK = re.compile(r"\]\(([\w-]+\.md)?(#[\w-]+)?\)")


# -- words ---------------------------------------------------------------------------------------------------


def test_each_term_has_one_sentence_and_a_source_that_exists() -> None:
    """A meaning is one sentence; its source is common practice or a standard of the list."""
    assert len(terms()) == len({term.word.casefold() for term in terms()})
    for term in terms():
        assert re.fullmatch(r"[^.]+(\.\d[^.]*)*\.", term.meaning), term
        assert COMMON_PRACTICE == term.source or term.source in standards(), term


def test_each_term_is_on_a_page_that_exists() -> None:
    """Every term says which pages are the first to use it, and each of them is in the registry."""
    known = {page.path for page in PAGES}
    for term in terms():
        assert term.pages, term
        assert set() == set(term.pages) - known, term


def test_standards_are_numbered_as_their_publishers_do() -> None:
    """SAE J1930, ISO 11898-2 (iso.org, sae.org): a publisher, a number, a part where there are several."""
    for name, title in standards().items():
        assert re.fullmatch(
            r"SAE J\d{4}|(ISO|IEC) \d{4,5}(-\d)?|IEEE 802\.\d+[a-z]+|OPEN Alliance TC\d+|AUTOSAR CAN NM", name
        ), name
        assert len(title) > 10
    used = {term.source for term in terms()}
    assert {"SAE J1930", "SAE J2012", "ISO 2575", "ISO 11898-1", "ISO 14229-1"} <= used


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("terminator", "120 ohm"),  # ISO 11898-2: nominal termination
        ("bus-off", "255"),  # ISO 11898-1: a transmit error counter above 255
        ("error passive", "127"),  # ISO 11898-1: a counter above 127
        ("VIN", "17 characters"),  # ISO 3779
        ("CAN FD", "64 data bytes"),  # ISO 11898-1
        ("DLC", "16-pin"),  # SAE J1962
        ("confirmed code", "bit 3"),  # ISO 14229-1, D.2: confirmedDTC
    ],
)
def test_figures_in_meanings_are_those_of_the_standards(word: str, said: str) -> None:
    """A figure in a meaning is the standard's."""
    assert said in meaning(word)


# -- chapters ------------------------------------------------------------------------------------------------


def test_every_field_of_a_vehicle_file_is_explained() -> None:
    """Each key of each part has a meaning, and no meaning is left over for a key that is gone."""
    fields = [(part.part, field) for part in vehicle_file.sections() for field in part.fields]
    assert [] == [f"{part}.{field.key}" for part, field in fields if not field.meaning]
    known = {f"{part}.{field.key}" for part, field in fields} | {f"*.{field.key}" for _, field in fields}
    assert set() == set(vehicle_file.meanings()) - known
    assert all(part.about for part in vehicle_file.sections())


def test_every_kind_of_edit_is_in_the_chapter_about_sentences() -> None:
    """Each verb of the registry is told with what it means, and each repair with what it ends."""
    told = {one.verb for one in sentences.faults()} | {one.verb for one in sentences.repairs()}
    assert set(EDIT_KINDS) == told
    assert all(one.means for one in sentences.faults())
    text = chapter("sentences").text
    assert all(f"| `{verb} " in text for verb in EDIT_KINDS)
    assert "press start with brake" in text
    assert "measure ohms DLC.6 to DLC.14" in text


def test_every_page_is_in_the_handbook_with_its_title() -> None:
    """The pages of the handbook are those of the registry, by path and title."""
    assert {page.path: page.title for page in PAGES} == {page.path: page.title for page in pages()}


def test_links_between_chapters_and_paragraphs_lead_somewhere() -> None:
    """Each link names a chapter that exists and a heading in it; headings of a chapter differ."""
    anchors = {f"{one.name}.md": one.anchors for one in chapters()}
    for one in chapters():
        assert len(one.anchors) == len(set(one.anchors)), one.name
        for file, place in LINK.findall(one.text):
            assert file in ("", *anchors), (one.name, file)
            assert place.removeprefix("#") in ("", *anchors[file or f"{one.name}.md"]), (one.name, place)


def test_a_table_with_a_row_too_short_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A row without all of its cells is an error with its text."""
    (tmp_path / "terms.csv").write_text("open | A circuit that is interrupted.\n", encoding="utf-8")
    monkeypatch.setattr("sim.handbook.tables.FOLDER", tmp_path)
    with pytest.raises(ValueError, match=r"terms\.csv: 2 cells instead of 4"):
        rows("terms.csv", 4)


def test_every_picture_is_in_a_chapter_and_every_chapter_has_its_pictures() -> None:
    """A picture that a chapter names can be drawn, and none is drawn for nothing."""
    named = [name for one in chapters() for _, name in NAMED.findall(one.text)]
    assert sorted(PICTURES) == sorted(named)
    assert sum(one.text.count("![") for one in chapters()) == len(named)


# -- from the command line -----------------------------------------------------------------------------------


def test_the_command_writes_every_chapter_as_markdown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One file for each chapter, the same text as on the page; written again without complaint."""
    for _ in range(2):
        assert 0 == main(["handbook", "--out", str(tmp_path / "book")])
    files = {file.name for file in (tmp_path / "book").iterdir()}
    assert {f"{name}.md" for name in TITLES} | {f"{name}.svg" for name in PICTURES} == files
    for name in PICTURES:
        drawn = ElementTree.parse(tmp_path / "book" / f"{name}.svg").getroot()
        assert "{http://www.w3.org/2000/svg}svg" == drawn.tag
        assert not [one for one in drawn.iter() if one.get("data-id") or one.get("tabindex")]
    written = (tmp_path / "book" / "glossary.md").read_text(encoding="utf-8")
    assert chapter("glossary").text == written
    assert f"{len(TITLES)} chapters" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("vehicle-file#fuses", "| `rating_a` | number above 0 to 500 | **required** | Rating, in A. |"),
        ("glossary", "**DTC**"),
        ("sentences#repairs", "`repair ...` | open, corrode"),
    ],
)
def test_the_command_prints_a_chapter_or_a_paragraph(
    place: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """`busbay handbook CHAPTER#PARAGRAPH` prints just that."""
    assert 0 == main(["handbook", place])
    assert said in capsys.readouterr().out


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("glosary", "the handbook has no chapter 'glosary'; did you mean 'glossary'?"),
        ("vehicle-file#fuse", "the chapter 'vehicle-file' has no paragraph 'fuse'; did you mean 'fuses'?"),
    ],
)
def test_a_place_that_is_not_there_is_answered_with_the_nearest(
    place: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong chapter or paragraph ends in one sentence."""
    assert 1 == main(["handbook", place])
    assert f"busbay: {said}\n" == capsys.readouterr().err


# -- near at an error ----------------------------------------------------------------------------------------


FILES = (
    links.CASES,
    links.CLASSES,
    links.EXERCISES,
    links.LOGS,
    links.RECORDINGS,
    links.SENTENCES,
    links.VEHICLES,
)


@pytest.mark.parametrize("paragraph", FILES)
def test_each_kind_of_file_has_its_paragraph(paragraph: Paragraph) -> None:
    """An error of a file that no key of a vehicle explains leads to a heading that is there."""
    assert section(paragraph.chapter, paragraph.anchor).splitlines()[0].endswith(f"# {paragraph.heading}")
    assert paragraph == paragraph_for(Problem("no such file"), paragraph)


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (("rating_a: 10", "rating_a: -10"), "vehicle-file#fuses"),
        (("terminated", "terminatd"), "vehicle-file#buses"),
    ],
)
def test_an_error_of_a_vehicle_file_names_its_paragraph(change: tuple[str, str], place: str) -> None:
    """The paragraph is that of the key of the top level, and it is there."""
    text = (ROOT / "scenarios" / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    with pytest.raises(FileProblem) as refused:
        car_from_text(text.replace(*change, 1), "van.yaml")
    paragraph = paragraph_for(refused.value)
    assert paragraph is not None
    assert place == paragraph.place
    assert section(paragraph.chapter, paragraph.anchor).startswith("## ")


def test_every_key_of_a_vehicle_file_has_a_paragraph() -> None:
    """Whatever key an error is about, its paragraph is in the chapter."""
    for key in vehicle_file.top_level():
        paragraph = paragraph_for(FileProblem("wrong", "van.yaml", 1, (key,)))
        assert paragraph is not None
        assert paragraph.anchor in chapter("vehicle-file").anchors
        assert anchor(paragraph.heading) == paragraph.anchor


def test_a_refused_sentence_leads_to_the_chapter_about_sentences() -> None:
    """A wrong sentence has its paragraph; a problem of another kind has none."""
    paragraph = paragraph_for(EditProblem("no action begins with 'fly'"))
    assert paragraph is not None
    assert "sentences" == paragraph.chapter
    assert paragraph_for(Problem("port 8501 is in use")) is None
    assert paragraph_for(FileProblem("wrong", "exercise.yaml", 1, ("solution",))) is None


def test_the_command_line_tells_where_to_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After the sentence about a wrong file or action comes a line with the command that explains it."""
    assert 1 == main(["run", "six-modules", "--do", "fly"])
    assert "\n  read: busbay handbook sentences#sentences\n" in capsys.readouterr().err
    wrong = tmp_path / "van.yaml"
    text = (ROOT / "scenarios" / "vehicles" / "six-modules.yaml").read_text(encoding="utf-8")
    wrong.write_text(text.replace("rating_a: 10", "rating_a: -10", 1), encoding="utf-8")
    assert 1 == main(["car", str(wrong)])
    assert capsys.readouterr().err.endswith("\n  read: busbay handbook vehicle-file#fuses\n")
