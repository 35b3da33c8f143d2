"""What connecting says in every situation, and what it finds out."""

from __future__ import annotations

import pytest

from obdwatch.errors import AdapterSilent, CarSilent
from tests.adapters.elm327.conftest import Bench
from tests.adapters.elm327.scripted_adapter import SUPPORTED
from tests.adapters.elm327.true_replies import legacy_line


def test_a_car_that_answers_is_described(bench: Bench) -> None:
    connection = bench.adapter.connect()
    assert connection.adapter == "ELM327 v1.5"
    assert connection.protocol.startswith("ISO 15765-4 (CAN 11 bit, 500")
    assert connection.ecus == (0x7E8,)
    assert connection.supported == {0x7E8: tuple(pid for pid in SUPPORTED if pid % 32)}
    assert connection.parameters_per_request == 6
    assert connection.rate == pytest.approx(25.0, rel=0.05)  # the scripted adapter takes 40 ms


def test_both_control_units_are_found_with_their_own_parameters(bench: Bench) -> None:
    bench.fake.ecus["7EA"] = (0x0C, 0x0D, 0x42)
    connection = bench.adapter.connect()
    assert connection.ecus == (0x7E8, 0x7EA)
    assert connection.supported[0x7EA] == (0x0C, 0x0D, 0x42)


def test_services_06_and_09_are_listed_where_supported(bench: Bench) -> None:
    bench.fake.always |= {
        "0600": "7E806460080000001AA\r\r>",
        "0620": "7E806462080000001AA\r\r>",
        "0640": "7E806464000000000AA\r\r>",
        "0900": "7E806490054000000AA\r\r>",
    }
    bench.fake.pad = "AA"
    connection = bench.adapter.connect()
    assert connection.services == {0x7E8: {0x06: (0x01, 0x21), 0x09: (0x02, 0x04, 0x06)}}


def test_the_link_is_set_up_for_safe_reading(bench: Bench) -> None:
    bench.adapter.connect()
    sent = bench.fake.commands
    for command in ("ATE0", "ATL0", "ATS0", "ATH1", "ATSH7DF"):
        assert command in sent
    assert not any(command.startswith("01") and len(command) % 2 for command in sent), "a reply count was appended"


def test_a_29_bit_car_is_addressed_with_its_own_header(bench: Bench) -> None:
    bench.fake.protocol = "A7"
    bench.fake.ecus = {"18DAF110": SUPPORTED}
    connection = bench.adapter.connect()
    assert connection.ecus == (0x18DAF110,)
    assert "ATSHDB33F1" in bench.fake.commands
    assert "ATSH7DF" not in bench.fake.commands


@pytest.mark.parametrize(
    "unknown", ["ATAL", "ATAT1", "ATAT2", "ATST32", "ATDPN", "ATDP", "ATRV", "ATS0", "ATL0", "ATCAF1", "ATSH7DF", "ATD"]
)
def test_an_adapter_that_does_not_know_a_command_still_connects(bench: Bench, unknown: str) -> None:
    bench.fake.always[unknown] = "?\r\r>"
    assert bench.adapter.connect().ecus == (0x7E8,)


def test_an_adapter_without_its_name_still_connects(bench: Bench) -> None:
    bench.fake.always |= {"ATI": "?\r\r>", "AT@1": "?\r\r>"}
    assert bench.adapter.connect().ecus == (0x7E8,)
    bench.fake.answers["010C"].append(None)
    assert bench.adapter.request(b"\x01\x0c")[0].status == "timeout"
    assert bench.adapter.request(b"\x01\x0c")[0].status == "ok"


def test_an_adapter_without_automatic_search_is_led_through_the_protocols(bench: Bench) -> None:
    bench.fake.always |= {"ATSP0": "?\r\r>", "ATTP0": "?\r\r>"}
    bench.fake.answers["0100"] += ["?\r\r>", "?\r\r>", "CAN ERROR\r\r>"]
    assert bench.adapter.connect().protocol.startswith("ISO 15765-4 (CAN 11 bit")
    assert "ATTP8" in bench.fake.commands


@pytest.mark.parametrize("ends", ["\r", "\r\n", "\n"])
@pytest.mark.parametrize("spaces", [True, False])
def test_echo_that_cannot_be_switched_off_is_lived_with(bench: Bench, ends: str, spaces: bool) -> None:
    plain = bench.fake._car

    def car(command: str) -> str:
        bench.fake.echo = True
        bench.fake.spaces = spaces
        return plain(command).replace("\r", ends)

    bench.fake._car = car  # type: ignore[method-assign]
    bench.fake.on_command = lambda command: setattr(bench.fake, "echo", True)
    bench.fake.answers["ATE0"] += ["ATE0\rOK\r\r>"]
    assert bench.adapter.connect().parameters_per_request == 6
    for _ in range(5):
        assert bench.adapter.request(b"\x01\x0c")[0].status == "ok"
    assert bench.fake.commands.count("ATH1") == 1  # nobody took the echo for a restart


@pytest.mark.parametrize(
    ("answer", "word"),
    [
        ("NO DATA\r\r>", "NO DATA"),
        ("CAN ERROR\r\r>", "CAN ERROR"),
        ("BUS INIT: ...ERROR\r\r>", "BUS INIT"),
        ("STOPPED\r\r>", "STOPPED"),
        ("?\r\r>", "?"),
        ("UNABLE TO CONNECT\r\r>", "UNABLE TO CONNECT"),
        ("SEARCHING...\rUNABLE TO CONNECT\r\r>", "UNABLE TO CONNECT"),
        ("7E8037F011200000000\r\r>", "7F"),
        ("7E804410C1AF8000000\r\r>", "41"),
        ("OK\r\r>", "OK"),
    ],
)
def test_an_adapter_whose_car_does_not_answer_is_not_connected(bench: Bench, answer: str, word: str) -> None:
    bench.fake.always["0100"] = answer
    with pytest.raises(CarSilent) as caught:
        bench.adapter.connect()
    assert "12.6 V" in str(caught.value)
    assert "ignition" in str(caught.value)
    assert word in str(caught.value)
    assert "\n" not in str(caught.value)


def test_with_the_ignition_switched_on_the_next_attempt_connects(bench: Bench) -> None:
    bench.fake.ignition = False
    with pytest.raises(CarSilent):
        bench.adapter.connect()
    bench.fake.ignition = True
    assert bench.adapter.connect().ecus == (0x7E8,)


def test_a_port_with_nothing_behind_it_is_silent_within_seconds(bench: Bench) -> None:
    bench.fake.write = lambda data: None  # type: ignore[method-assign]
    with pytest.raises(AdapterSilent, match="no adapter answers"):
        bench.adapter.connect()
    assert bench.clock.monotonic() < 6.0
    assert bench.notices, "more than three seconds without a word"


@pytest.mark.parametrize("garbage", [b"\xf0\x9e\x11\x00\xff", b"login: \r\n", b"$GPGGA,1234\r\n", b"\xff\xfe>\xff>"])
def test_a_port_that_is_something_else_is_said_to_be_that(bench: Bench, garbage: bytes) -> None:
    bench.fake.write = lambda data: bench.fake.arrives(garbage, 0.01)  # type: ignore[method-assign]
    with pytest.raises(AdapterSilent, match=r"not as an ELM327-compatible adapter|broke while connecting"):
        bench.adapter.connect()
    assert bench.clock.monotonic() < 10.0


def test_a_console_that_answers_politely_is_no_adapter(bench: Bench) -> None:
    bench.fake._take = lambda command: bench.fake.arrives(f"{command}: not found\r\n>", 0.01)  # type: ignore[method-assign]
    with pytest.raises(AdapterSilent, match="ELM327-compatible"):
        bench.adapter.connect()


def test_an_adapter_that_is_slow_to_restart_connects(bench: Bench) -> None:
    bench.fake.always["ATD"] = "?\r\r>"
    bench.fake.answers["ATZ"].append((3.5, "\r\rELM327 v1.5\r\r>"))
    assert bench.adapter.connect().ecus == (0x7E8,)


def test_a_search_that_takes_long_is_said_to_be_going_on(bench: Bench) -> None:
    bench.fake.answers["0100"].append((9.0, "SEARCHING...\r7E8 06 41 00 88 7B 80 01 00\r\r>"))
    bench.adapter.connect()
    assert len(bench.notices) >= 3


def test_damage_while_connecting_does_not_decide_anything(bench: Bench) -> None:
    bench.fake.answers["0100"] += ["7E80641008\r\r>", "7E8064100887B8\r\r>"]
    bench.fake.answers["0120"] += ["7E80641208000\r\r>"]
    connection = bench.adapter.connect()
    assert connection.supported == {0x7E8: tuple(pid for pid in SUPPORTED if pid % 32)}


def test_damaged_support_bitmaps_do_not_take_parameters_away(bench: Bench) -> None:
    bench.fake.answers["0120"] += ["GARBAGE\r\r>", "7E8064120\r\r>", "7E806412080\r\r>", "BUFFER FULL\r\r>"]
    connection = bench.adapter.connect()
    assert connection.supported == {0x7E8: tuple(pid for pid in SUPPORTED if pid % 32)}


def test_an_address_seen_once_is_no_control_unit(bench: Bench) -> None:
    bench.fake.answers["0100"] += ["7EB06410088388001 00\r7E806410098398001 00\r\r>".replace(" ", "")]
    assert bench.adapter.connect().ecus == (0x7E8,)


def test_reconnecting_to_the_same_car_is_quick_and_finds_the_same(bench: Bench) -> None:
    first = bench.adapter.connect()
    took_first = len(bench.fake.commands)
    bench.fake.commands.clear()
    assert bench.adapter.connect() == first
    assert len(bench.fake.commands) < took_first / 2
    assert "ATTP6" in bench.fake.commands


def test_another_car_on_the_same_adapter_is_explored_anew(bench: Bench) -> None:
    bench.adapter.connect()
    bench.fake.ecus = {"7E8": (0x04, 0x05, 0x0C, 0x0D)}
    assert bench.adapter.connect().supported == {0x7E8: (0x04, 0x05, 0x0C, 0x0D)}


def test_an_iso_9141_car_connects_one_parameter_at_a_time(bench: Bench) -> None:
    def car(command: str) -> str:
        data = {"0100": "4100183B8000", "010C": "410C1AF8", "0105": "41057B"}.get(command)
        return legacy_line("486B10", data, "3") if data else "NO DATA"

    bench.fake.protocol = "A3"
    bench.fake._car = car  # type: ignore[method-assign]
    connection = bench.adapter.connect()
    assert connection.protocol == "ISO 9141-2"
    assert connection.ecus == (0x10,)
    assert connection.parameters_per_request == 1
    assert bench.adapter.request(b"\x01\x0c")[0].payload == b"\x41\x0c\x1a\xf8"


@pytest.mark.parametrize("restart", ["\r\rELM327 v1.5\r\r>", "LV RESET\r\r>"])
def test_a_restart_in_mid_session_is_got_over(bench: Bench, restart: str) -> None:
    bench.connected()
    bench.fake.reset()
    bench.fake.arrives(restart)
    exchanges = [bench.adapter.request(b"\x01\x0c")[0] for _ in range(3)]
    assert {e.payload for e in exchanges if e.status == "ok"} == {b"\x41\x0c\x1a\xf8"}
    assert exchanges[-1].status == "ok"
    assert "ATH1" in bench.fake.commands


def test_a_restart_that_nobody_announced_is_got_over(bench: Bench) -> None:
    bench.connected()
    bench.fake.reset()
    bench.fake.echo = False
    statuses = [bench.adapter.request(b"\x01\x0c")[0].status for _ in range(6)]
    assert statuses[0] == "wrong_reply"
    assert statuses[-1] == "ok"


def test_a_lost_protocol_is_brought_back(bench: Bench) -> None:
    bench.connected()
    bench.fake.answers["010C"].append("UNABLE TO CONNECT\r\r>")
    assert bench.adapter.request(b"\x01\x0c")[0].status == "bus_error"
    assert bench.adapter.request(b"\x01\x0c")[0].status == "ok"
    assert "ATTP6" in bench.fake.commands


def test_closing_twice_is_harmless(bench: Bench) -> None:
    bench.connected()
    bench.adapter.close()
    bench.adapter.close()
    assert bench.fake.closed
