"""Diagnostics over IP inside the hatchback: a tester asks through the gateway as edge node (ISO 13400-2).

Bytes on the link to the connector are packed and read by PyPI doipclient, an implementation of the standard
that owes nothing to ours; codes and timers by their names there. The order of checks is from memory.
"""

from collections.abc import Callable
from itertools import pairwise

import pytest
from doipclient import messages as theirs
from doipclient.client import Parser

from sim.bench.bench import Bench
from sim.bench.explain import why_silent
from sim.catalogue import find_car
from sim.network import doip
from sim.network.frames import Frame
from sim.vehicle.elements import TESTER_LINK

HATCHBACK = find_car("city-hatchback")
SOURCE = 0x0E00
ADDRESSES = HATCHBACK.addresses
Nack = theirs.DiagnosticMessageNegativeAcknowledgement.NackCodes
ACTIVATION = theirs.RoutingActivationRequest(SOURCE, 0)


def pin(module: str, function: str) -> str:
    found = HATCHBACK.pin_of(module, function)
    assert found is not None
    return found.id


def packed(message: theirs.DoIPMessage) -> bytes:
    """A message of doipclient with its header, of version 2012."""
    data = message.pack()
    return b"\x02\xfd" + message.payload_type.to_bytes(2, "big") + len(data).to_bytes(4, "big") + data


class Connector:
    """The hatchback with the ignition on and a tester plugged in: what is sent, and what comes back."""

    def __init__(self, *edits: str) -> None:
        self.bench = Bench(HATCHBACK)
        self.bench.do_all(["wait 2 s", *edits, "press start", "press start", "wait 2 s"])
        self.heard: list[tuple[float, theirs.DoIPMessage]] = []
        self.bench.live.network.listen(TESTER_LINK, self._frame)
        self.bench.live.tester(True, "is plugged in")

    def _frame(self, frame: Frame, sender: str, time_s: float) -> None:
        parser = Parser()
        parser.reset()
        self.heard.append((time_s, parser.read_message(frame.data)))

    def say(self, *messages: theirs.DoIPMessage, wait_s: float = 0.3) -> list[theirs.DoIPMessage]:
        """Send these one after the other; what came back to the last of them."""
        for message in messages:
            self.heard.clear()
            self.bench.live.network.send(TESTER_LINK, Frame(doip.CONVERSATION, packed(message), ip=True))
            self.bench.live.run(wait_s)
        return [message for _, message in self.heard]


@pytest.fixture
def connector() -> Connector:
    made = Connector()
    made.bench.live.run(2.0)
    return made


def test_the_edge_node_announces_the_car_three_times_when_the_link_comes_up() -> None:
    """A_DoIP_Announce_Wait of up to 500 ms, then A_DoIP_Announce_Num 3 at A_DoIP_Announce_Interval 500 ms."""
    made = Connector()
    made.bench.live.run(3.0)
    times_s = [time_s for time_s, _ in made.heard]
    assert {theirs.VehicleIdentificationResponse} == {type(message) for _, message in made.heard}
    assert 3 == len(times_s)
    assert pytest.approx([0.5, 0.5]) == [b - a for a, b in pairwise(times_s)]
    up_s = max(
        one.time_s for one in made.bench.live.trace.events if one.kind == "link" and one.item == "doip"
    )
    assert 0 <= times_s[0] - up_s <= 0.5


def test_a_request_for_identification_is_answered_with_the_vehicle_identification_number(
    connector: Connector,
) -> None:
    """And with the logical address of the entity; one for another car is not answered."""
    (answer,) = connector.say(theirs.VehicleIdentificationRequest())
    assert doip.ENTITY_ADDRESS == answer.logical_address
    assert [answer.vin] == [
        one.vin for one in connector.say(theirs.VehicleIdentificationRequestWithVIN(answer.vin))
    ]
    assert [] == connector.say(theirs.VehicleIdentificationRequestWithVIN("0" * 17))


@pytest.mark.parametrize(
    ("source", "kind", "expected"),
    [(SOURCE, 0, 0x10), (SOURCE, 1, 0x10), (0x0123, 0, 0x00), (SOURCE, 9, 0x06)],
)
def test_routing_is_activated_for_a_tester_alone(
    connector: Connector, source: int, kind: int, expected: int
) -> None:
    """By code: success, unknown source address, unsupported activation type."""
    (answer,) = connector.say(theirs.RoutingActivationRequest(source, kind))
    assert expected == answer.response_code


def test_an_alive_check_is_answered_by_the_entity(connector: Connector) -> None:
    """With its own logical address."""
    (answer,) = connector.say(theirs.AliveCheckRequest())
    assert doip.ENTITY_ADDRESS == answer.source_address


def read_codes(target: int, source: int = SOURCE) -> theirs.DiagnosticMessage:
    return theirs.DiagnosticMessage(source, target, b"\x19\x02\x0f")


@pytest.mark.parametrize("name", ["GATEWAY", "COCKPIT", "BODY-HUB", "CAMERA-FRONT", "RADAR", "DOOR-LEFT"])
def test_a_module_answers_after_the_acknowledge(connector: Connector, name: str) -> None:
    """Itself, over one link, over two switches, over CAN beyond a link, and on a managed bus beyond a hub."""
    acknowledge, response = connector.say(ACTIVATION, read_codes(ADDRESSES[name]))
    assert isinstance(acknowledge, theirs.DiagnosticMessagePositiveAcknowledgement)
    assert (ADDRESSES[name], SOURCE) == (response.source_address, response.target_address)
    assert b"\x59\x02" == response.user_data[:2]


@pytest.mark.parametrize(
    ("before", "asked", "expected"),
    [
        ((), read_codes(0x710), Nack.InvalidSourceAddress),
        ((ACTIVATION,), read_codes(0x710, 0x0E01), Nack.InvalidSourceAddress),
        ((ACTIVATION,), read_codes(0x0123), Nack.UnknownTargetAddress),
        ((ACTIVATION,), theirs.DiagnosticMessage(SOURCE, 0xE400, bytes(8)), Nack.DiagnosticMessageTooLarge),
    ],
)
def test_what_goes_no_further_is_refused_with_its_code(
    connector: Connector,
    before: tuple[theirs.DoIPMessage, ...],
    asked: theirs.DoIPMessage,
    expected: Nack,
) -> None:
    """Without routing, as another tester, to no known address, and a long functional request."""
    (answer,) = connector.say(*before, asked)
    assert isinstance(answer, theirs.DiagnosticMessageNegativeAcknowledgement)
    assert expected == answer.nack_code


def test_a_module_whose_link_is_down_is_unreachable() -> None:
    """The edge node sees its own link: negative acknowledge 06, and no message goes on."""
    made = Connector(f"open {pin('COCKPIT', 'spine-cockpit.P')}")
    made.bench.live.run(2.0)
    (answer,) = made.say(ACTIVATION, read_codes(ADDRESSES["COCKPIT"]))
    assert isinstance(answer, theirs.DiagnosticMessageNegativeAcknowledgement)
    assert Nack.TargetUnreachable == answer.nack_code


def test_a_dead_module_beyond_a_hub_is_acknowledged_and_silent() -> None:
    """The edge node has put the message on its way and knows no more."""
    made = Connector("pull F14")
    made.bench.live.run(2.0)
    answers = made.say(ACTIVATION, read_codes(ADDRESSES["DOOR-LEFT"]), wait_s=2.5)
    assert [theirs.DiagnosticMessagePositiveAcknowledgement] == [type(one) for one in answers]


def test_a_gateway_with_a_boot_loader_only_answers_for_itself_alone() -> None:
    """It passes nothing on, by target or to all, and Why names its software."""
    made = Connector("halfflash GATEWAY")
    made.bench.live.run(2.0)
    (answer,) = made.say(ACTIVATION, read_codes(ADDRESSES["ECM"]))
    assert isinstance(answer, theirs.DiagnosticMessageNegativeAcknowledgement)
    assert Nack.TargetUnreachable == answer.nack_code
    report = made.bench.do("scan").report
    assert report is not None
    assert set(ADDRESSES) - {"GATEWAY"} == set(report.silent)
    assert "because halfflash GATEWAY" in "\n".join(why_silent(made.bench, "ECM").lines())


def test_the_guarded_gateway_refuses_over_ip_too_until_it_is_unlocked(connector: Connector) -> None:
    """ISO 14229-1: 7F 14 33, securityAccessDenied; the acknowledge comes first, as the message was taken."""
    clear = theirs.DiagnosticMessage(SOURCE, ADDRESSES["ABS"], b"\x14\xff\xff\xff")
    acknowledge, refusal = connector.say(ACTIVATION, clear)
    assert isinstance(acknowledge, theirs.DiagnosticMessagePositiveAcknowledgement)
    assert b"\x7f\x14\x33" == refusal.user_data
    connector.bench.do("unlock GATEWAY")
    assert "done: ABS" == connector.bench.do("clear ABS").words


def test_routing_ends_after_five_minutes_of_silence(connector: Connector) -> None:
    """T_TCP_General_Inactivity: the next message has no routing."""
    asked = read_codes(ADDRESSES["GATEWAY"])
    assert 2 == len(connector.say(ACTIVATION, asked))
    connector.bench.live.run(doip.GENERAL_INACTIVITY_S - 1)
    assert 2 == len(connector.say(asked))
    connector.bench.live.run(doip.GENERAL_INACTIVITY_S + 1)
    (answer,) = connector.say(asked)
    assert Nack.InvalidSourceAddress == answer.nack_code


# what is done to the car; whom it silences; what the report says of it; what Why says first
FINDINGS: dict[str, tuple[Callable[[], str], str, str, str]] = {
    "its link": (
        lambda: f"open {pin('COCKPIT', 'spine-cockpit.P')}",
        "COCKPIT",
        "GATEWAY: target unreachable (code 06)",
        "GATEWAY refuses the diagnostic message: target unreachable (code 06)",
    ),
    "its supply, beyond a hub": (
        lambda: "pull F14",
        "DOOR-LEFT",
        "GATEWAY acknowledges, the module does not answer",
        "GATEWAY acknowledges the diagnostic message: it is on its way, and no response comes",
    ),
    "the connector's pair": (lambda: "open DLC.3", "ECM", "GATEWAY does not answer on Ethernet", ""),
}


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
@pytest.mark.parametrize("case", FINDINGS)
def test_a_scan_tells_how_far_the_question_came(case: str, fidelity: str) -> None:
    """Three findings that CAN does not tell apart, each with the edit under Why, at both fidelities."""
    edit, silent, found, why = FINDINGS[case]
    bench = Bench(HATCHBACK, fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["wait 2 s", edit(), "wait 5 s"])
    report = bench.do("scan").report
    assert report is not None
    assert silent in report.silent
    assert found == report.of(silent).note
    reasons = why_silent(bench, silent)
    assert [edit()] == reasons.roots()
    assert not why or why == reasons.causes[0].text


def test_a_healthy_hatchback_answers_whole_from_sleep() -> None:
    """The tester wakes the gateway over the connector's link, and through it every module."""
    bench = Bench(HATCHBACK)
    bench.do("wait 60 s")
    report = bench.do("scan").report
    assert report is not None
    assert () == report.silent
    assert {""} == {entry.note for entry in report.modules}
