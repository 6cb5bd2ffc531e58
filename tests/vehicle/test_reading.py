"""Files that people write: every bad one is refused in one sentence with its line."""

from pathlib import Path

import pytest

from sim import scenarios_folder
from sim.catalogue import vehicle_text
from sim.vehicle.every_problem import line_of
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import MAX_DEPTH, MAX_FILE_BYTES, car_from_text, document_of, read_car

SMALL_CAR = (Path(__file__).parent / "small-car.yaml").read_text(encoding="utf-8")

# Each row: a piece of the small car, what a person wrote instead, and the sentence behind "car.yaml, ".
NAMES = [
    (
        "F1: {rating_a: 10, feeds: ECM}",
        "F1: {ratng_a: 10, feeds: ECM}",
        "line 7, fuses > F1 > ratng_a: unknown key 'ratng_a'; did you mean 'rating_a'?",
    ),
    (
        "hears_when: {line: IGN}}\n  TCM",
        "hears_wen: {line: IGN}}\n  TCM",
        "line 21, modules > ECM > hears_wen: unknown key 'hears_wen'; did you mean 'hears_when'?",
    ),
    (
        "feeds: TCM}",
        "feeds: TMC}",
        "line 8, fuses > F2 > feeds > 0: nothing called 'TMC' to feed in this car; did you mean 'TCM'?",
    ),
    (
        "feeds: start_button}",
        "feeds: start_buton}",
        "line 13, fuses > F7 > feeds > 0: nothing called 'start_buton' to feed in this car; did "
        "you mean 'start_button'?",
    ),
    (
        "from: K1,",
        "from: k1,",
        "line 15, fuses > F9 > from: no source 'k1' in this car; did you mean 'K1'?",
    ),
    (
        "\nfuses:\n",
        "\nboxes: {fuse bok: under the dash}\nfuses:\n",
        "line 6, boxes > fuse bok: no fuse box 'fuse bok' in this car; did you mean 'fuse box'?",
    ),
    (
        "coil: BCM.run_relay",
        "coil: BCM.run_rely",
        "line 17, relays > K1 > coil: no output 'BCM.run_rely' in this car; did you mean 'BCM.run_relay'?",
    ),
    (
        "to: BCM.button",
        "to: BCM.buton",
        "line 19, switches > start_button > to > 0: no input 'BCM.buton' in this car; did you "
        "mean 'BCM.button'?",
    ),
    (
        "line: [ECM terminated",
        "line: [EMC terminated",
        "line 5, buses > main > line > 0: nothing called 'EMC terminated' for the line of main; "
        "did you mean 'ECM'?",
    ),
    (
        "ECM terminated",
        "ECM terminatd",
        "line 5, buses > main > line > 0: 'terminatd' does not join a line; known: terminated, through",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [EMC, ABS], h",
        "line 22, modules > TCM > hears > 0: no module 'EMC' in this car; did you mean 'ECM'?",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [{from: ECM, message: stats}, ABS], h",
        "line 22, modules > TCM > hears > 0: module 'ECM' sends no message 'stats'; did you mean 'status'?",
    ),
    (
        "{line: IGN}}\n  TCM",
        "{line: IGM}}\n  TCM",
        "line 21, modules > ECM > hears_when: no fuse feeds a line 'IGM' of ECM; did you mean 'IGN'?",
    ),
    (
        "{line: IGN}}\n  TCM",
        "{signal: powr_mode, is: run}}\n  TCM",
        "line 21, modules > ECM > hears_when: no message carries a signal 'powr_mode'; did you "
        "mean 'power_mode'?",
    ),
    (
        "{mode: run}}}",
        "{mode: runs}}}",
        "line 28, modules > BCM > outputs > run_relay > when > mode > 0: 'mode' is one of "
        "'off', 'accessory', 'run' or 'crank' (here: 'runs')",
    ),
    (
        "master: BCM",
        "master: BMC",
        "line 33, power_modes > master: no module 'BMC' in this car; did you mean 'BCM'?",
    ),
    (
        "    inputs: {button: {}}",
        "    wake: [bus, buton]\n    inputs: {button: {}}",
        "line 27, modules > BCM > wake > 1: module 'BCM' is not woken by 'buton'; did you mean 'button'?",
    ),
    (
        "    inputs: {button: {}}",
        "    ground: G2\n    inputs: {button: {}}",
        "line 27, modules > BCM > ground > 0: no ground point 'G2' in this car; did you mean 'G1'?",
    ),
    (
        "feeds: ABS}",
        "feeds: ABS via X1}",
        "line 9, fuses > F3 > feeds > 0: no in-line connector 'X1' in this car",
    ),
    (
        "feeds: ABS}",
        "feeds: ABS vai X1}",
        "line 9, fuses > F3 > feeds > 0: 'ABS vai X1' is not a wire end: write 'NAME', "
        "'NAME.PIN' or 'NAME via X1'",
    ),
    (
        "    inputs: {button: {}}",
        "    connectors: {C1: [B+, buton]}\n    inputs: {button: {}}",
        "line 27, modules > BCM > connectors > C1 > 1: module 'BCM' has no pin 'buton'; did you "
        "mean 'button'?",
    ),
    (
        "K1: {title: ignition, coil: BCM.run_relay}",
        "F1: {title: ignition, coil: BCM.run_relay}",
        "line 17, relays > F1: the name 'F1' is taken by one of the fuses",
    ),
    (
        "modules:\n",
        "modules:\n  2nd: {}\n",
        "line 21, modules > 2nd: a name is a letter, then up to 39 letters, digits, _, + or - (here: '2nd')",
    ),
    (
        "TCM: {hears:",
        "TCM: {role: TCN, hears:",
        "line 21, modules > ECM > hears > 0: no generic lost-communication code is known for 'TCN': give "
        "this monitor a 'code', or the module a 'role' that has one",
    ),
    (
        "coil: BCM.run_relay",
        "coil: start_buton",
        "line 17, relays > K1 > coil: no output 'start_buton' in this car; did you mean 'start_button'?",
    ),
]

LIMITS = [
    (
        "rating_a: 30",
        "rating_a: -30",
        "line 9, fuses > F3 > rating_a: 'rating_a' is above 0 A (here: -30 A)",
    ),
    (
        "rating_a: 30",
        "rating_a: 3000",
        "line 9, fuses > F3 > rating_a: 'rating_a' is at most 500 A (here: 3000 A)",
    ),
    (
        "rating_a: 30",
        "rating_a: .nan",
        "line 9, fuses > F3 > rating_a: 'rating_a' is a number (here: nan A)",
    ),
    (
        "rating_a: 30",
        "rating_a: yes",
        "line 9, fuses > F3 > rating_a: 'rating_a' is a number, without its unit (here: 'yes')",
    ),
    (
        "rating_a: 30",
        "rating_a: true",
        "line 9, fuses > F3 > rating_a: 'rating_a' is a number (here: true)",
    ),
    (
        "rating_a: 30",
        "rating_a: 30 A",
        "line 9, fuses > F3 > rating_a: 'rating_a' is a number, without its unit (here: '30 A')",
    ),
    (
        "rating_a: 30, ",
        "",
        "line 9, fuses > F3 > rating_a: 'rating_a' is missing",
    ),
    (
        "main: {line",
        "main: {bitrate_bps: 500, line",
        "line 5, buses > main > bitrate_bps: 'bitrate_bps' is one of 125000, 250000, 500000 or "
        "1000000 (here: 500 bit/s)",
    ),
    (
        "main: {line",
        "main: {stub_m: 0, line",
        "line 5, buses > main > stub_m: 'stub_m' is at least 0.01 m (here: 0 m)",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {status: {id: 0x7DF}}, hears:",
        "line 22, modules > TCM > sends > status > id: a message's identifier is at most 0x6FF: "
        "those above carry diagnosis (here: 0x7DF)",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {status: {id: 0x18DA10F1}}, hears:",
        "line 22, modules > TCM > sends > status > id: identifiers 0x18DA0000 to 0x18DBFFFF carry diagnosis "
        "(ISO 15765-4) (here: 0x18DA10F1)",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {status: {id: 0x20000000}}, hears:",
        "line 22, modules > TCM > sends > status > id: a message's identifier has 29 bits at most, "
        "0x1FFFFFFF (here: 0x20000000)",
    ),
    (
        "TCM: {hears:",
        "TCM: {address: 0x7E8, hears:",
        "line 22, modules > TCM > address: address 0x7E8 is no request identifier (700 to 7F7, "
        "last hex digit 0 to 7)",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {status: {period_ms: 2}}, hears:",
        "line 22, modules > TCM > sends > status > period_ms: 'period_ms' is at least 5 ms (here: 2 ms)",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [{from: ECM, limit_ms: 80}, ABS], h",
        "line 22, modules > TCM > hears > 0 > limit_ms: limit 80 ms is not longer than the "
        "period 100 ms of ECM.status",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [{from: ECM, code: U100}, ABS], h",
        "line 22, modules > TCM > hears > 0 > code: a trouble code is written U0100 or U0100-87 "
        "(here: 'U100')",
    ),
    (
        "{mode: run}}}",
        "{supply_above_v: 99}}}",
        "line 28, modules > BCM > outputs > run_relay > when > supply_above_v: 'supply_above_v' "
        "is at most 60 V (here: 99 V)",
    ),
]

CONTRADICTIONS = [
    (
        "feeds: TCM}",
        "feeds: ECM}",
        "line 8, fuses > F2 > feeds > 0: ECM.B+ is fed twice, by F1 and F2",
    ),
    (
        "feeds: start_button}",
        "feeds: []}",
        "line 19, switches > start_button: no fuse or relay feeds 'start_button'",
    ),
    (
        "F9: {rating_a: 5, from: K1,",
        "F9: {rating_a: 5, from: F9,",
        "line 15, fuses > F9 > from: is fed in a ring: F9 from F9",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [TCM], h",
        "line 22, modules > TCM > hears > 0: a module cannot monitor itself",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [ECM, ECM], h",
        "line 22, modules > TCM > hears > 1: ECM.status is monitored twice",
    ),
    (
        "hears: [ECM, ABS], h",
        "waits_for: TCM, hears: [ECM, ABS], h",
        "line 22, modules > TCM > waits_for > 0: a module cannot wait for itself",
    ),
    (
        "ABS, BCM, DLC",
        "ABS, ABS, DLC",
        "line 5, buses > main > line > 3: ABS is on the line of main twice",
    ),
    (
        "ABS, BCM, DLC",
        "ABS, DLC",
        "line 26, modules > BCM: module 'BCM' is on no bus line",
    ),
    (
        "line: [ECM terminated, TCM, ABS, BCM, DLC, AIRBAG, CLUSTER terminated]",
        "line: [ECM]",
        "line 5, buses > main > line: a bus line has at least two members",
    ),
    (
        "{run_relay: {when",
        "{button: {when",
        "line 28, modules > BCM > outputs > button: pin 'button' cannot be an output and something else",
    ),
    (
        "{power_mode: {fact: power_mode}}",
        "{power_mode: {fact: power_mode}, a: {}, b: {}, c: {}, d: {}, e: {}, f: {}, g: {}, h: {}}",
        "line 29, modules > BCM > sends > status > signals: 9 signals of one byte each do not fit in 8 bytes",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {status: {signals: [gear]}}, hears:",
        "line 22, modules > TCM > sends > status > signals > 0: TCM sends a signal 'gear' that "
        "its 'signals' do not work out",
    ),
    (
        "TCM: {hears:",
        "TCM: {signals: {power_mode: {}}, hears:",
        "line 29, modules > BCM > sends > status > signals: signal 'power_mode' is already sent "
        "in TCM.status",
    ),
    (
        "TCM: {hears:",
        "TCM: {signals: {mode: {fact: power_mode}}, hears:",
        "line 22, modules > TCM > signals > mode > fact: module 'TCM' cannot know the fact "
        "'power_mode': BCM does",
    ),
    (
        "TCM: {hears:",
        "TCM: {sends: {a: {id: 0x100}, b: {id: 0x100}}, hears:",
        "line 22, modules > TCM > sends > b > id: identifier 0x100 is already sent by TCM.a",
    ),
    (
        "{mode: run}}}",
        "{mode: run, line: IGN}}}",
        "line 28, modules > BCM > outputs > run_relay > when: a condition has exactly one of "
        "all, any, not, input, signal, missing, lost, code, stored, mode, line, fob, engine, immobilizer, "
        "supply_above_v, dm1_lamp, met, start_stop",
    ),
    (
        "{mode: run}}}",
        "{}}}",
        "line 28, modules > BCM > outputs > run_relay > when: a condition has exactly one of "
        "all, any, not, input, signal, missing, lost, code, stored, mode, line, fob, engine, immobilizer, "
        "supply_above_v, dm1_lamp, met, start_stop",
    ),
    (
        "{mode: run}}}",
        "{fob: in_range}}}",
        "line 28, modules > BCM > outputs > run_relay: module 'BCM' sees no fob: it needs "
        "'fob_receiver: true'",
    ),
    (
        "{mode: run}}}",
        "{mode: run, is: true}}}",
        "line 28, modules > BCM > outputs > run_relay > when: 'is' goes with 'signal' only",
    ),
]

TYPES = [
    (
        "car: Six modules",
        "car: [Six, modules]",
        "line 2, car: 'car' is a text",
    ),
    (
        "car: Six modules\n",
        "",
        "line 1, car: 'car' is missing",
    ),
    (
        "car: Six modules",
        'car: ""',
        "line 2, car: 'car' has at least 1 character (here: '')",
    ),
    (
        "F1: {rating_a: 10, feeds: ECM}",
        "F1: 10",
        "line 7, fuses > F1: 'F1' is a list of 'key: value' lines (here: 10)",
    ),
    (
        "F1: {rating_a: 10, feeds: ECM}",
        "F1: [10, ECM]",
        "line 7, fuses > F1: 'F1' is a list of 'key: value' lines",
    ),
    (
        "TCM: {hears:",
        "9: {hears:",
        "line 22, modules > 9: a name is a text (here: 9)",
    ),
    (
        "hears: [ECM, ABS], h",
        "hears: [3], h",
        "line 22, modules > TCM > hears > 0: 'hears' is a list of 'key: value' lines (here: 3)",
    ),
    (
        "feeds: TCM}",
        "feeds: }",
        "line 8, fuses > F2 > feeds: 'feeds' is a list, such as [A, B]",
    ),
    (
        "about: An invented car without an engine to start. One push of the button is run, the next is off.",
        "about: 2021-02-03",
        "line 3, about: 'about' is a text",
    ),
]

YAML = [
    (
        "  F2:",
        "\tF2:",
        "line 8: is not YAML: found character '\\t' that cannot start any token",
    ),
    (
        "  F2:",
        "  F1:",
        'line 8: found duplicate key "F1"',
    ),
    (
        "car: Six modules",
        "car: &name Six modules",
        "line 2: anchors (&name) and aliases (*name) are not read here: write the value out",
    ),
    (
        "car: Six modules",
        "car: *name",
        "line 2: anchors (&name) and aliases (*name) are not read here: write the value out",
    ),
    (
        "car: Six modules",
        "car: !name Six modules",
        "line 2: tags (!name) are not read here: write a plain value",
    ),
    (
        "rating_a: 30",
        "rating_a: 2021-02-30",
        "line 9: cannot read this value: day is out of range for month",
    ),
    (
        "feeds: AIRBAG}",
        "feeds: AIRBAG",
        "line 13: is not YAML: expected ',' or '}', but got ':' (while parsing a flow mapping "
        "that begins on line 12)",
    ),
    (
        "car: Six modules",
        "%YAML 1.9\n---\ncar: Six modules",
        "line 1: is not YAML: version minor part can only be 2 or 1, got (1, 9)",
    ),
    (
        "power_modes:",
        "---\npower_modes:",
        "line 32: is not YAML: but found another document (expected a single document in the "
        "stream that begins on line 2)",
    ),
    (
        "car: Six modules",
        'car: "Six modules',
        "line 35: is not YAML: found unexpected end of stream (while scanning a quoted scalar "
        "that begins on line 2)",
    ),
    (
        "{mode: run}}}",
        "{all: " * 40 + "{mode: run}" + "}" * 40 + "}}",
        "line 28: is nested deeper than 40 levels",
    ),
]


def refusal(text: str) -> FileProblem:
    with pytest.raises(FileProblem) as caught:
        car_from_text(text, "car.yaml")
    return caught.value


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    NAMES + LIMITS + CONTRADICTIONS + TYPES + YAML,
    ids=lambda value: value[:40],
)
def test_a_wrong_piece_is_refused_with_line_place_and_reason(right: str, wrong: str, sentence: str) -> None:
    """The sentence names line, place, value, limit and the nearest right name."""
    assert 1 == SMALL_CAR.count(right)
    assert f"car.yaml, {sentence}" == str(refusal(SMALL_CAR.replace(right, wrong)))


def test_the_small_car_itself_is_accepted() -> None:
    """So that each refusal above is due to its one change."""
    assert ["ECM", "TCM", "ABS", "CLUSTER", "AIRBAG", "BCM"] == list(car_from_text(SMALL_CAR).built.modules)


@pytest.mark.parametrize("text", ["", "# nothing\n", "hello", "- a\n- b\n", "42", "null"])
def test_a_text_without_keys_is_no_description(text: str) -> None:
    """An empty file, a text, a list and a number are refused with the reason."""
    sentence = "car.yaml, line 1: is not a description: it has no 'key: value' lines at its top level"
    assert sentence == str(refusal(text))


def test_a_problem_carries_its_data() -> None:
    """Programs read file, line, path and sentence without taking the text apart."""
    problem = refusal(SMALL_CAR.replace("feeds: TCM}", "feeds: TMC}"))
    expected = ("car.yaml", 8, ("fuses", "F2", "feeds", 0))
    assert expected == (problem.file, problem.line, problem.path)
    assert "nothing called 'TMC' to feed in this car; did you mean 'TCM'?" == problem.what


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file is one sentence with its name."""
    with pytest.raises(FileProblem) as caught:
        read_car(tmp_path / "none.yaml")
    assert "none.yaml, line 1: cannot be read: No such file or directory" == str(caught.value)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    """A folder is refused in one sentence."""
    with pytest.raises(FileProblem, match="cannot be read: Is a directory"):
        read_car(tmp_path)


def test_a_file_that_is_not_text_names_the_line_of_the_first_bad_byte(tmp_path: Path) -> None:
    """A file that is not UTF-8 is refused with the line."""
    path = tmp_path / "car.yaml"
    path.write_bytes(b"car: x\nabout: \xff\n")
    with pytest.raises(FileProblem) as caught:
        read_car(path)
    assert "car.yaml, line 2: is not UTF-8 text" == str(caught.value)


def test_a_file_that_is_too_large_is_not_even_parsed() -> None:
    """A file above the limit is refused by its size."""
    text = SMALL_CAR + "#" * MAX_FILE_BYTES
    assert f"car.yaml, line 1: is larger than {MAX_FILE_BYTES} bytes" == str(refusal(text))


@pytest.mark.parametrize("level", ["[", "{a: ", "- ", "? "])
def test_nesting_is_bounded_and_the_line_is_that_of_the_level_too_many(level: str) -> None:
    """Nesting too deep is refused with the limit, in every way of writing it."""
    text = "car: x\n" + ("about:\n  " if level in "- ? " else "about: ") + level * 5_000
    assert f"nested deeper than {MAX_DEPTH} levels" in str(refusal(text))


def test_brackets_in_a_text_are_no_nesting() -> None:
    """Fidelity is counted in the structure, not in the letters."""
    text = SMALL_CAR.replace("car: Six modules", f'car: "{"[" * 100}"')
    assert "[" * 100 == car_from_text(text).title


def test_a_bomb_of_aliases_is_refused_where_it_begins() -> None:
    """Nine aliases of nine aliases ... would be 9^9 values."""
    lines = ["car: x", "a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{b}: &{b} [{', '.join(['*' + a] * 9)}]" for a, b in zip("abcdefgh", "bcdefghi", strict=True)]
    problem = refusal("\n".join(lines))
    assert (2, True) == (problem.line, "anchors" in problem.what)


def test_more_modules_than_there_are_diagnostic_addresses() -> None:
    """The 91st module is refused with the limit, and 90 have 90 addresses."""
    names = [f"M{number}" for number in range(91)]
    lines = ["car: x", f"buses: {{main: {{line: [{', '.join(names)}]}}}}"]
    lines += [f"fuses: {{F1: {{rating_a: 5, feeds: [{', '.join(names)}]}}}}", "modules:"]
    assert 91 == len(names)
    text = "\n".join([*lines, *(f"  {name}: {{}}" for name in names)])
    assert "car.yaml, line 4, modules: 'modules' has at most 90 entries" == str(refusal(text))
    for part in ("M90, ", ", M90", "\n  M90: {}"):
        text = text.replace(part, "")
    car = car_from_text(text)
    assert 90 == len(set(car.addresses.values()))


def test_a_mode_may_be_written_as_plain_off() -> None:
    """YAML 1.1 reads a bare `off` as false; a technician means the mode."""
    car = car_from_text(SMALL_CAR)
    rules = car.built.power_modes.rules if car.built.power_modes else ()
    assert [(("off",), "run"), (("run",), "off")] == [(rule.from_, rule.to) for rule in rules]


def test_one_name_stands_for_a_list_of_one() -> None:
    """Where a list is expected, one name will do."""
    text = SMALL_CAR.replace("hears: [ECM, ABS], h", "hears: ECM, h")
    assert ["ECM.status"] == [expected.message for expected in car_from_text(text).messages.expected["TCM"]]


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm() -> None:
    """A file saved by another editor reads the same."""
    text = "\ufeff" + SMALL_CAR.replace("\n", "\r\n")
    assert car_from_text(SMALL_CAR).built == car_from_text(text).built


def test_line_of_finds_the_deepest_part_that_is_written() -> None:
    """A problem's path leads to the nearest line that exists."""
    document = document_of(SMALL_CAR, "car.yaml")
    assert 7 == line_of(document, ("fuses", "F1", "area_mm2"))
    assert 5 == line_of(document, ("buses", "main", "line", 3))
    assert 1 == line_of(document, ("engine",))


@pytest.mark.parametrize(
    "path", sorted((scenarios_folder() / "vehicles").glob("*.yaml")), ids=lambda p: p.stem
)
def test_every_shipped_car_is_accepted_and_says_that_it_is_invented(path: Path) -> None:
    """Every shipped file reads, and says that its car is invented."""
    assert "invented" in read_car(path).built.about


def test_a_file_of_an_earlier_version_keeps_its_lamps() -> None:
    """The British key of a lamp's color, which earlier versions had, is still read."""
    today = vehicle_text("teaching-car")
    earlier = today.replace("color:", "colour:")
    assert today != earlier
    lamps, kept = (
        {name: lamp.color for name, lamp in car_from_text(text).built.modules["CLUSTER"].telltales.items()}
        for text in (today, earlier)
    )
    assert lamps == kept
    assert "red" in lamps.values()
