"""A case as a document: notes, photos, odometer and date in its one file, and the shop report on paper."""

from __future__ import annotations

from base64 import b64decode, b64encode
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from sim.cli import main
from sim.lab.case import MOST_PHOTO_TEXT, Case, CaseStep, Evidence
from sim.lab.case_file import case_from_text, case_text
from sim.lab.photos import photo_of
from sim.lab.shop_report import before_and_after, report_sections, shop_report
from sim.lab.stories import try_stories
from sim.lab.workshop import Workshop
from sim.vehicle.problems import FileProblem, Problem

CASE = """
case: A silent gearbox <script>
date: 2026-11-27
odometer: 148,300 km
complaint: stays in one gear
car: six-modules
steps:
  - do: [press start, wait 6 s, scan]
    seen: {silent: [TCM], answers: [ECM, ABS], codes: [ECM U0101, CLUSTER U0101]}
    note: customer says "since the radio was fitted" <b>
  - do: [fit F2, wait 3 s, scan]
    seen: {answers: [TCM, ECM, ABS], codes: [ECM U0101 stored], no_codes: [TCM]}
stories:
  fuse: {edits: [pull F2]}
  plug: {edits: [unplug TCM]}
"""


def _picture(kind: str, size: tuple[int, int] = (3000, 2000)) -> bytes:
    written = BytesIO()
    Image.effect_noise(size, 90).convert("RGB").save(written, kind)
    return written.getvalue()


@pytest.fixture
def case() -> Case:
    """The case, with a photo at its first step."""
    told = case_from_text(CASE)
    first = told.steps[0].model_copy(update={"photos": (photo_of("plug.jpg", _picture("JPEG")),)})
    return told.model_copy(update={"steps": (first, *told.steps[1:])})


def test_everything_comes_back_from_the_file(case: Case) -> None:
    """Date, odometer, complaint, note and photo are in the case file and read the same."""
    assert case == case_from_text(case_text(case))


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_large_photo_is_made_small_and_forgets_where_it_was_taken(kind: str) -> None:
    """Whatever kind it was, a small JPEG without the camera's notes is kept."""
    photo = photo_of("folder/IMG 1.png", _picture(kind))
    assert ("IMG 1.png", "image/jpeg") == (photo.name, photo.kind)
    assert len(photo.data) <= MOST_PHOTO_TEXT
    with Image.open(BytesIO(b64decode(photo.data))) as small:
        assert max(small.size) <= 1280
        assert {} == dict(small.getexif())


@pytest.mark.parametrize("raw", [b"", b"GIF89a...", b"<svg onload=alert(1)>", b"\xff\xd8\xff then nothing"])
def test_what_is_no_photo_is_refused_by_its_content(raw: bytes) -> None:
    """A name that ends in .png makes no picture."""
    with pytest.raises(Problem, match=r"'x.png' is no photo: a step takes PNG and JPEG"):
        photo_of("x.png", raw)


def test_a_file_with_other_data_as_a_photo_is_refused_with_its_line() -> None:
    """A case file from elsewhere may not carry anything else as a photo."""
    data = b64encode(b"<svg onload=alert(1)>").decode()
    spoiled = CASE.replace("    note: ", f"    photos: [{{name: a.png, data: {data}}}]\n    note: ")
    with pytest.raises(FileProblem, match=r"line \d+, .*'a.png' is no photo"):
        case_from_text(spoiled)


def test_the_first_scan_is_compared_with_the_last() -> None:
    """Gone, still there, new; one scan alone is compared with nothing."""
    steps = case_from_text(CASE).steps
    change = before_and_after(steps)
    assert change is not None
    assert ("silent modules", "TCM", "none", "none") == change.rows[0]
    assert ("codes", "CLUSTER U0101", "ECM U0101", "none") == change.rows[1]
    assert before_and_after((CaseStep(do=("scan",), seen=Evidence(silent=("TCM",))),)) is None


def test_the_shop_report_has_what_a_shop_files_and_escapes_it(case: Case, here: Workshop) -> None:
    """Head, found, before and after, proved, photo; words that look like markup stay words."""
    table = try_stories(case, workshop=here)
    page = shop_report(table)
    for said in (
        "2026-11-27",
        "148,300 km",
        "stays in one gear",
        "Six modules",
        "&lt;b&gt;",
        "data:image/jpeg;base64",
    ):
        assert said in page
    assert "<script" not in page
    found = {one.title: one.parts for one in report_sections(table)}
    assert "Only 'fuse' explains everything" in found["What this proves"][-1]
    assert () == found["What is open"]


def test_the_command_writes_it_with_the_checks_that_are_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where stories tie, the report ends with what would tell them apart, in minutes."""
    monkeypatch.chdir(tmp_path)
    Path("case.yaml").write_text(CASE.split("  - do: [fit F2")[0] + "stories:" + CASE.split("stories:")[1])
    assert 0 == main(["case", "case.yaml", "--report", "report.html", "--workers", "1"])
    page = Path("report.html").read_text(encoding="utf-8")
    assert "A tie: &#39;fuse&#39;, &#39;plug&#39;" in page
    assert "next check" in page
    assert "Inspect F2" in page
    assert "Inspect F2: " not in page  # what it may show does not repeat the check
