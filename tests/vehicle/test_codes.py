"""Trouble codes against ISO 15031 / SAE J2012 as given by open-source libraries."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.codes import DTC as OBD_TEXTS
from obd.decoders import parse_dtc

from sim.vehicle import code_tables, codes
from sim.vehicle.roles import ROLE_TITLES, role_title

# ISO 15031-5 clause 7.3.1 for the first five, the open package `uds` for those with a failure type,
# PyPI obd for the rest.
EXAMPLES = {
    "0143": "P0143", "C158": "U0158", "D016": "U1016", "4035": "C0035", "8100": "B0100", "9234": "B1234",
    "56789A": "C1678-9A", "A5B6C7": "B25B6-C7", "C07388": "U0073-88", "C10087": "U0100-87",
}  # fmt: skip


@pytest.mark.parametrize(("data", "text"), EXAMPLES.items())
def test_bytes_and_text_of_published_examples(data: str, text: str) -> None:
    """Bytes and text turn into each other."""
    assert text == codes.dtc_text(bytes.fromhex(data))
    assert bytes.fromhex(data) == codes.dtc_bytes(text)


@given(st.binary(min_size=2, max_size=3))
def test_every_code_survives_the_way_there_and_back(data: bytes) -> None:
    """No two codes share a text."""
    assert data == codes.dtc_bytes(codes.dtc_text(data))


def test_all_two_byte_codes_agree_with_obd() -> None:
    """PyPI obd decodes all 65535 numbers alike (it writes hexadecimal digits in lower case; 0 is no code)."""
    ours = [codes.dtc_text(number.to_bytes(2, "big")) for number in range(1, 65536)]
    theirs = [parse_dtc(number.to_bytes(2, "big"))[0].upper() for number in range(1, 65536)]
    assert theirs == ours


@pytest.mark.parametrize(
    "text", ["", "U", "X0100", "U4100", "U010G", "U01000", "U0100-8", "U0100 87", "U0100-87-1"]
)
def test_no_code_is_refused_with_an_example(text: str) -> None:
    """The message repeats what was written and shows what a code looks like."""
    with pytest.raises(codes.CodeError, match="such as U0100 or U0100-87") as caught:
        codes.dtc_bytes(text)
    assert f'"{text}"' in str(caught.value)


@pytest.mark.parametrize("size", [0, 1, 4])
def test_a_code_of_the_wrong_size_is_refused(size: int) -> None:
    """Only two or three bytes are a code."""
    with pytest.raises(codes.CodeError, match=f"2 or 3 bytes, not {size}"):
        codes.dtc_text(bytes(size))


def test_case_and_spaces_around_a_code_do_not_matter() -> None:
    """People type codes in lower case."""
    assert "U0100-87" == codes.with_failure_type(" u0100-87 ")
    assert "P0A24-00" == codes.with_failure_type("p0a24")


# PyPI obd 0.7.3 prints an older wording; ours is that of newer open-source dictionaries of J2012-DA.
# Every remaining difference is listed: code, ours, theirs.
SENSOR = "Throttle/Pedal Position Sensor/Switch"
KNOWN_DIFFERENCES = {
    "P2122": ('Pedal Position Sensor "D" Voltage Low', f"{SENSOR} 'D' Circuit Low Input"),
    "P2123": ('Pedal Position Sensor "D" Voltage High', f"{SENSOR} 'D' Circuit High Input"),
    "P2127": ('Pedal Position Sensor "E" Voltage Low', f"{SENSOR} 'E' Circuit Low Input"),
    "P2128": ('Pedal Position Sensor "E" Voltage High', f"{SENSOR} 'E' Circuit High Input"),
    "P2138": ('Pedal Position Sensors "D" and "E" Disagree', f"{SENSOR} 'D' / 'E' Voltage Correlation"),
    "U0073": ('Control Module Communication Bus "A" Off', "Control Module Communication Bus Off"),
    "U0103": (
        "Lost Communication With Gear Shift Control Module",
        "Lost Communication With Gear Shift Module",
    ),
    "U0121": (
        "Lost Communication With Anti-Lock Brake System Control Module",
        "Lost Communication With Anti-Lock Brake System (ABS) Control Module",
    ),
    "U0155": (
        "Lost Communication With Instrument Panel Cluster Control Module",
        "Lost Communication With Instrument Panel Cluster (IPC) Control Module",
    ),
    "U0159": (
        'Lost Communication With Parking Assist Control Module "A"',
        "Lost Communication With Parking Assist Control Module",
    ),
    "U0165": (
        "Lost Communication With HVAC Control Module - Rear",
        "Lost Communication With HVAC Control Module Rear",
    ),
    "U0182": (
        "Lost Communication With Lighting Control Module - Front",
        "Lost Communication With Lighting Control Module Front",
    ),
    "U0183": (
        'Lost Communication With Lighting Control Module - Rear "A"',
        "Lost Communication With Lighting Control Module Rear",
    ),
    "U0186": ('Lost Communication With Audio Amplifier "A"', "Lost Communication With Audio Amplifier"),
    "U0235": (
        "Lost Communication With Front Distance Range Sensor - Single Sensor or Center",
        "Lost Communication With Cruise Control Front Distance Range Sensor",
    ),
    "U0401": ('Invalid Data Received From ECM/PCM "A"', "Invalid Data Received From ECM/PCM"),
    "U0402": ("Invalid Data Received From TCM", "Invalid Data Received From Transmission Control Module"),
    "U0423": (
        "Invalid Data Received From Instrument Panel Cluster Control Module",
        "Invalid Data Received From Instrument Panel Control Module",
    ),
}


def obd_wording(text: str) -> str:
    """Our wording with the habits of PyPI obd: no (+) and (-), other brackets, capitals and quotes."""
    for ours, theirs in (
        (" (-) Shorted to Bus (+)", " shorted to Bus"),
        (" Performance", " (Performance)"),
        (" (+) ", " "),
        (" (-) ", " "),
    ):
        if "Communication Bus" in text and "Off" not in text:
            text = text.replace(ours, theirs)
    return normal(text)


def normal(text: str) -> str:
    return text.lower().translate(str.maketrans("", "", "'\"() "))


def test_descriptions_agree_with_obd_where_it_has_them() -> None:
    """Every text that PyPI obd also has is the same, apart from the listed wordings."""
    different = {}
    compared = 0
    for table in code_tables.CODE_TABLES:
        for code, text in table.texts.items():
            theirs = OBD_TEXTS.get(code)
            if theirs is None or theirs == "Reserved by J2012":
                continue
            compared += 1
            if code in {f"U{n:04d}" for n in (36, 45, 54, 63, 72)}:  # obd repeats the letter of the bus here
                theirs = theirs[:-3] + theirs[-1]
            if obd_wording(text) != normal(theirs):
                different[code] = (text, OBD_TEXTS[code])
    assert compared > 230
    assert KNOWN_DIFFERENCES == different


@pytest.mark.parametrize(
    ("code", "text"),
    [
        # wording of SAE J2012-DA as given by open-source dictionaries
        ("U0003", "High Speed CAN Communication Bus (+) Open"),
        ("U0006", "High Speed CAN Communication Bus (-) Open"),
        ("U0009", "High Speed CAN Communication Bus (-) Shorted to Bus (+)"),
        ("U0074", 'Control Module Communication Bus "B" Off'),
        ("U0100", 'Lost Communication With ECM/PCM "A"'),
        ("U0199", 'Lost Communication With Door Control Module "A"'),
        ("U0236", "Lost Communication With Column Lock Module"),
        ("U0452", "Invalid Data Received From Restraints Control Module"),
    ],
)
def test_newer_wordings(code: str, text: str) -> None:
    """Where obd is silent or ambiguous the newer dictionaries decide."""
    assert text == codes.code_description(code)


def test_a_code_without_a_text_says_so() -> None:
    """Neither an empty text nor a guess."""
    assert "service information" in codes.code_description("U1999")
    assert "without a text" in codes.code_description("P0999")


def test_full_description_adds_the_failure_type() -> None:
    """The failure type is part of the meaning; 00 adds nothing."""
    assert 'Lost Communication With ECM/PCM "A" - Missing Message' == codes.full_description("U0100-87")
    assert codes.code_description("U0100") == codes.full_description("U0100-00")
    assert "Failure Type F7" == codes.failure_type_name(0xF7)


@pytest.mark.parametrize(
    ("role", "lost", "invalid"),
    [  # SAE J2012 numbers as given by PyPI obd and open-source dictionaries
        ("ECM", "U0100", "U0401"),
        ("TCM", "U0101", "U0402"),
        ("ABS", "U0121", "U0415"),
        ("BCM", "U0140", "U0422"),
        ("CLUSTER", "U0155", "U0423"),
        ("GATEWAY", "U0146", "U0447"),
        ("AIRBAG", "U0151", "U0452"),
        ("Restraints", "U0151", "U0452"),
        ("STEERING", "U0131", "U0420"),
        ("STEER-ANGLE", "U0126", "U0428"),
        ("PARK-BRAKE", "U0128", "U0417"),
        ("CLIMATE", "U0164", "U0424"),
        ("IMMOBILIZER", "U0167", "U0426"),
        ("radio", "U0184", "U0485"),
        ("telematics", "U0198", "U0499"),
        ("door_a", "U0199", "U049A"),
        ("Door G", "U0205", "U0506"),
        ("COLUMN", "U0212", "U0429"),
        ("front radar", "U0235", "U0433"),
        ("Column Lock", "U0236", "U0537"),
    ],
)
def test_codes_about_a_module(role: str, lost: str, invalid: str) -> None:
    """Roles find their codes in any case and spacing."""
    assert (lost, invalid) == (codes.lost_communication_code(role), codes.invalid_data_code(role))


@pytest.mark.parametrize("role", ROLE_TITLES)
def test_every_role_of_a_vehicle_file_has_codes(role: str) -> None:
    """What a vehicle file may call a module, the others can set codes about."""
    assert codes.lost_communication_code(role).startswith("U")


@pytest.mark.parametrize(
    ("name", "title"),
    [("AIRBAG", "airbag (restraints) module"), ("SRS", "airbag (restraints) module"),
     ("IPC", "instrument cluster"), ("park brake", "park brake module"), ("M7", None)],
)  # fmt: skip
def test_a_module_has_its_title_by_any_name_of_its_role(name: str, title: str | None) -> None:
    """The abbreviations of SAE J1930 and the plain words mean the same module."""
    assert title == role_title(name)


@pytest.mark.parametrize(
    ("name", "role", "same"),
    [("SRS", "AIRBAG", True), ("airbag", "AIRBAG", True), ("ABS", "AIRBAG", False), ("M7", "M7", False)],
)
def test_names_of_one_role(name: str, role: str, same: bool) -> None:
    """What warns of airbags does not depend on which of the module's names a file gives."""
    assert same == codes.is_role(name, role)


def test_roles_are_unambiguous() -> None:
    """No name and no number belongs to two roles, and every row says how far it can be trusted."""
    names = [codes.plain_name(name) for row in code_tables.MODULE_ROLES for name in (row.role, *row.others)]
    numbers = [number for row in code_tables.MODULE_ROLES for number in (row.lost_code, row.invalid_code)]
    assert len(set(names)) == len(names)
    assert len(set(numbers)) == len(numbers)
    assert all(row.provenance for row in code_tables.MODULE_ROLES)


def test_invented_numbers_stay_in_the_makers_range() -> None:
    """A number of our own never looks like a generic code."""
    for row in code_tables.MODULE_ROLES:
        assert ("invented" in row.provenance) == codes.is_manufacturer_specific(row.lost_code)
        assert ("invented" in row.provenance) == codes.is_manufacturer_specific(row.invalid_code)


def test_an_unknown_role_names_the_nearest() -> None:
    """A slip of the finger is answered with the right name."""
    with pytest.raises(codes.CodeError, match='called "gatewya"; did you mean "GATEWAY"'):
        codes.lost_communication_code("gatewya")


def test_every_table_is_well_formed_and_no_code_is_in_two() -> None:
    """Each code stands once, in its upper-case short form, beside a source and a standing."""
    seen: list[str] = []
    for table in code_tables.CODE_TABLES:
        assert table.source
        assert table.provenance
        seen += table.texts
    assert sorted(set(seen)) == sorted(seen)
    assert seen == [codes.dtc_text(codes.dtc_bytes(code)[:2]) for code in seen]
