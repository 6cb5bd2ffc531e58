"""A chain of reasons as a drawing: causes above their effects, each reason once, words escaped."""

from xml.etree import ElementTree

from sim.bench.explain import Because
from sim.training.chain_picture import MOST_BESIDE, MOST_BESIDE_NARROW, chain_picture

FUSE = Because("given: pull F2", 0.0, (), True)
DARK = Because("TCM is <unpowered>", None, (FUSE,))
CODE = Because("ECM sets U0101", 5.5, (Because("ECM has not received TCM", 5.0, (DARK,)), DARK))


def tops(svg: str) -> dict[str, float]:
    """The upper edge of each reason's box."""
    root = ElementTree.fromstring(svg)
    found = {}
    for group in root.iter("g"):
        title, box = group.find("title"), group.find("rect")
        assert title is not None
        assert box is not None
        found[str(title.text)] = float(box.attrib["y"])
    return found


def test_causes_are_drawn_above_their_effects_and_each_once() -> None:
    """Causes are drawn above their effects, each reason once, its words escaped."""
    svg = chain_picture(CODE)
    order = sorted(tops(svg).items(), key=lambda one: one[1])
    expected = ["given: pull F2", "TCM is <unpowered>", "ECM has not received TCM", "ECM sets U0101"]
    assert expected == [text for text, _ in order]
    assert 1 == svg.count("what was wrong")
    assert "<unpowered>" not in svg


def test_one_arrow_pair_for_each_step_of_the_chain() -> None:
    """Each step from cause to effect has one line with one head."""
    root = ElementTree.fromstring(chain_picture(CODE))
    assert 2 * 4 == len(list(root.iter("path")))


def test_more_reasons_than_a_page_is_wide_are_counted() -> None:
    """Reasons that do not fit side by side are counted in words."""
    many = Because("engine stopped", 1.0, tuple(Because(f"reason {k}", 1.0, ()) for k in range(9)))
    svg = chain_picture(many)
    assert MOST_BESIDE + 1 == len(tops(svg))
    assert f"and {9 - MOST_BESIDE} more reasons" in svg


def test_on_a_phone_the_chain_is_as_wide_as_the_phone() -> None:
    """Two reasons at most are side by side, each as wide as its words need; letters stay as large."""
    many = Because("engine stopped", 1.0, tuple(Because(f"reason {k}", 1.0, ()) for k in range(9)))
    wide, narrow = (ElementTree.fromstring(chain_picture(many, narrow)) for narrow in (False, True))
    assert MOST_BESIDE_NARROW + 1 == len(tops(chain_picture(many, narrow=True)))
    assert [684.0, 344.0] == [float(one.attrib["viewBox"].split()[2]) for one in (wide, narrow)]
    assert 344.0 == float(ElementTree.fromstring(chain_picture(CODE)).attrib["viewBox"].split()[2])


def test_a_reason_that_recurs_farther_up_leaves_no_empty_row() -> None:
    """A contact that opens, closes and opens again is drawn, with each reason once."""
    first = Because("contact opens", 1.0, (FUSE,))
    again = Because("contact opens", 3.0, (Because("contact closes", 2.0, (first,)),))
    assert {"given: pull F2", "contact opens", "contact closes", "engine stopped"} == set(
        tops(chain_picture(Because("engine stopped", 4.0, (again,))))
    )
