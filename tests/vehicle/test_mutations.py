"""Two thousand spoiled vehicle files: each is accepted, or refused with file, line and reason."""

import random
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text, read_car

SMALL_CAR = (Path(__file__).parent / "small-car.yaml").read_text(encoding="utf-8")
TEACHING_CAR = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")

VALUES = (
    *(
        "",
        "~",
        "null",
        "true",
        "no",
        "off",
        "0",
        "-1",
        "1e308",
        "-1e-308",
        ".inf",
        ".nan",
        "0x7FF",
        "0b1",
        "1_0",
    ),
    *(
        "9" * 400,
        "9" * 5000,
        "1e99999",
        "0.1.2",
        "2024-02-30",
        "2024-01-01 10:00:00",
        "12:30:45",
        "'",
        '"',
        "''",
    ),
    *(
        "[]",
        "{}",
        "[[]]",
        "[{}]",
        "{a: b}",
        "{? [a]: b}",
        "[ECM, ECM]",
        "ECM.B+.x",
        "ECM via",
        "ECM via F1",
        "DLC",
    ),
    *(
        "BODY",
        "BAR",
        "TESTER",
        "a b c",
        "-",
        "- -",
        "*x",
        "&x y",
        "!!python/name:os.system",
        "!x y",
        "<<",
        "? x",
    ),
    *("|", ">", "#", "%", "@", "`", "\u00e9", "\u202e", "\U0001f600", "\x07", "\x85", "\u2028", "x" * 3000),
)
LETTERS = "abcxyzABC0189_.-+:,{}[]#&*!|>'\"%@ \t\n\u00e4\u0416\u4e16\U0001f698"


def delete_lines(text: str, dice: random.Random) -> str:
    lines = text.split("\n")
    first = dice.randrange(len(lines))
    del lines[first : first + dice.randint(1, 4)]
    return "\n".join(lines)


def repeat_line(text: str, dice: random.Random) -> str:
    """Duplicate keys, mostly."""
    lines = text.split("\n")
    lines.insert(dice.randrange(len(lines)), dice.choice(lines))
    return "\n".join(lines)


def swap_lines(text: str, dice: random.Random) -> str:
    lines = text.split("\n")
    one, other = dice.randrange(len(lines)), dice.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    return "\n".join(lines)


def indent(text: str, dice: random.Random) -> str:
    lines = text.split("\n")
    place = dice.randrange(len(lines))
    lines[place] = dice.choice((" ", "   ", "\t", " \t ")) + lines[place].lstrip(dice.choice((" ", "")))
    return "\n".join(lines)


def typo(text: str, dice: random.Random) -> str:
    """A letter too few, too many, or another one."""
    for _ in range(dice.randint(1, 3)):
        place = dice.randrange(len(text))
        text = text[:place] + dice.choice(("", dice.choice(LETTERS))) + text[place + dice.randint(0, 1) :]
    return text


def _words(text: str) -> list[tuple[int, int]]:
    """Where each word of the text begins and ends."""
    found, start = [], None
    for place, letter in enumerate(text):
        if letter.isalnum() or letter in "_.+-":
            start = place if start is None else start
        elif start is not None:
            found.append((start, place))
            start = None
    return found


def swap_words(text: str, dice: random.Random) -> str:
    """Names, keys and values in each other's places."""
    (a, b), (c, d) = sorted(dice.sample(_words(text), 2))
    return text[:a] + text[c:d] + text[b:c] + text[a:b] + text[d:]


def other_value(text: str, dice: random.Random) -> str:
    """Values of other kinds and sizes."""
    start, end = dice.choice(_words(text))
    return text[:start] + dice.choice(VALUES) + text[end:]


def raw_bytes(text: str, dice: random.Random) -> str:
    raw = bytearray(text.encode())
    for _ in range(dice.randint(1, 6)):
        raw[dice.randrange(len(raw))] = dice.randrange(256)
    return raw.decode("utf-8", "replace")


def nest(text: str, dice: random.Random) -> str:
    start, end = dice.choice(_words(text))
    before, after = dice.choice((("[", "]"), ("{not: ", "}"), ("{all: [", "]}"), ("- ", ""), ("? ", "")))
    times = dice.choice((2, 10, 39, 200, 3000))
    return text[:start] + before * times + text[start:end] + after * times + text[end:]


def cut_off(text: str, dice: random.Random) -> str:
    return text[: dice.randrange(len(text))]


def aliases(text: str, dice: random.Random) -> str:
    lines = text.split("\n")
    width, fidelity = dice.randint(1, 9), dice.randint(1, 9)
    names = [f"n{number}" for number in range(fidelity + 1)]
    bomb = [f"{names[0]}: &{names[0]} [x]"]
    bomb += [f"{b}: &{b} [{', '.join(['*' + a] * width)}]" for a, b in pairwise(names)]
    place = dice.randrange(len(lines))
    return "\n".join(lines[:place] + bomb + lines[place:])


def long_line(text: str, dice: random.Random) -> str:
    start, end = dice.choice(_words(text))
    return text[:start] + text[start:end] * dice.choice((50, 2000)) + text[end:]


MUTATIONS = (
    *(delete_lines, repeat_line, swap_lines, indent, typo, swap_words, other_value),
    *(raw_bytes, nest, cut_off, aliases, long_line),
)


def outcome(text: str) -> str:
    """`accepted`, or `refused` after a look at the refusal."""
    try:
        car_from_text(text, "car.yaml")
    except FileProblem as problem:
        lines = len(text.splitlines()) + 1
        good = problem.file == "car.yaml" and 1 <= problem.line <= lines and 0 < len(problem.what) < 500
        return "refused" if good else f"a poor refusal: {problem}"
    return "accepted"


@pytest.mark.parametrize("mutate", MUTATIONS, ids=lambda mutate: mutate.__name__)
def test_a_spoiled_file_is_accepted_or_refused_with_its_line(
    mutate: Callable[[str, random.Random], str],
) -> None:
    """170 files for each of 12 ways to spoil one; any other exception fails the test with its seed."""
    found: Counter[str] = Counter()
    for seed in range(170):
        dice = random.Random(f"{mutate.__name__} {seed}")
        text = mutate(TEACHING_CAR if seed % 17 == 0 else SMALL_CAR, dice)
        try:
            result = outcome(text)
        except Exception as error:
            raise AssertionError(f"seed {seed}: {type(error).__name__}: {error}") from error
        found[result] += 1
    assert {"accepted", "refused"} >= set(found)
    assert found["refused"] > 0


def test_there_are_two_thousand_of_them() -> None:
    """All ways to spoil a file together make at least 2,000 files."""
    assert len(MUTATIONS) * 170 >= 2000


def test_two_ways_to_spoil_a_file_at_once() -> None:
    """A file with two mistakes is accepted or refused with a line, too."""
    for seed in range(150):
        dice = random.Random(seed)
        text = SMALL_CAR
        for mutate in dice.sample(MUTATIONS, 2):
            text = mutate(text, dice) if len(_words(text)) > 2 else text
        assert outcome(text) in ("accepted", "refused"), f"seed {seed}"


def test_any_bytes_as_a_file(tmp_path: Path) -> None:
    """Not even text: the file reader refuses it, with a line."""
    path = tmp_path / "car.yaml"
    for seed in range(200):
        dice = random.Random(seed)
        path.write_bytes(dice.randbytes(dice.randrange(200)))
        with pytest.raises(FileProblem) as caught:
            read_car(path)
        assert caught.value.line >= 1
