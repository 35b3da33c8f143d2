"""What a client types and what it gets, character by character.

The dialogues are the well-known examples of the ELM327 data sheet, from memory, unless a test says otherwise.
"""

from __future__ import annotations

import pytest

from tests.adapters.virtual.client import Terminal
from tests.adapters.virtual.fake_car import ENGINE, TRANSMISSION, TableBus

E, T = ENGINE, TRANSMISSION

TABLE = {
    "01 00": [(E, "41 00 BE 3F B8 11", 0.008), (T, "41 00 80 00 00 00", 0.010)],
    "01 05": [(E, "41 05 7B", 0.008)],
    "01 0C": [(E, "41 0C 1A F8", 0.008)],
    "09 02": [(E, "49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36", 0.008)],
    "09 04": [
        (E, "49 04 01 35 36 30 32 38 39 34 39 41 43 00 00 00 00 00 00", 0.0080),
        (T, "49 04 01 35 36 30 32 38 39 35 34 41 43 00 00 00 00 00 00", 0.0082),
    ],
    "03": [(E, "43 01 01 33", 0.008)],
}


# fmt: off
SETTING_COMMANDS = (
    "D", "AL", "NL", "M0", "M1", "R1", "S1", "H0", "D0", "AR", "SS", "PC", "FE", "SP0", "SP6", "SPA6", "SP6A",
    "SP00", "TP6", "TPA6", "AT0", "AT1", "AT2", "ST32", "SH7E0", "SH7E00", "SHDA10F1", "SH18DA10F1", "CRA7E8",
    "CRA7EX", "CRA18DAF110", "CRA", "CF7E8", "CM7F8", "CF18DAF110", "CM1FFFFFFF", "CAF0", "CAF1", "CFC0", "CFC1",
    "CP18", "FCSH7E0", "FCSD300000", "FCSM0", "V0", "V1", "CSM0", "CSM1", "CEA10", "CEA", "PB0102", "WM0102",
    "SW00", "SW92", "KW0", "KW1", "IB10", "IB96", "IIA33", "TA10", "RA10", "SR10", "IFR0", "AMTFF", "CTM1", "JE",
    "JHF0",
)
# fmt: on


@pytest.fixture
def car() -> TableBus:
    return TableBus(TABLE)


@pytest.fixture
def terminal(car: TableBus) -> Terminal:
    return Terminal(car)


# -- the adapter itself ---------------------------------------------------------------------------------------------


def test_reset_says_who_it_is(terminal: Terminal) -> None:
    assert terminal.type("ATZ") == "ATZ\r\r\rELM327 v2.2\r\r>"


def test_warm_start_is_quicker_than_a_reset(terminal: Terminal) -> None:
    terminal.type("ATZ")
    full = terminal.took
    assert terminal.type("ATWS") == "ATWS\r\r\rELM327 v2.2\r\r>"
    assert terminal.took < full / 2


def test_echo_is_on_until_switched_off(terminal: Terminal) -> None:
    assert terminal.type("ATE0") == "ATE0\rOK\r\r>"
    assert terminal.type("ATI") == "ELM327 v2.2\r\r>"
    assert terminal.type("ATE1") == "OK\r\r>"
    assert terminal.type("at i") == "at i\rELM327 v2.2\r\r>"


def test_linefeeds_follow_every_carriage_return_when_on(terminal: Terminal) -> None:
    terminal.type("ATE0")
    assert terminal.type("ATL1") == "OK\r\n\r\n>"
    assert terminal.type("ATI") == "ELM327 v2.2\r\n\r\n>"
    assert terminal.type("ATL0") == "OK\r\r>"


def test_linefeeds_can_be_the_default_of_the_adapter(car: TableBus) -> None:
    assert Terminal(car, linefeeds=True).type("ATI") == "ATI\r\nELM327 v2.2\r\n\r\n>"


@pytest.mark.parametrize("text", ["ati", "AT I", "  a t\ti ", "ATI\n"])
def test_case_spaces_and_control_characters_do_not_matter(terminal: Terminal, text: str) -> None:
    assert terminal.ask("ATE0", text) == ["ELM327 v2.2"]


@pytest.mark.parametrize(
    "text", ["ATXYZ", "HELLO", "AT", "ATSH12", "ATST", "ATE2", "ATSPX", "01 0G", "0", "\x7f\x7f", "ATCAF2"]
)
def test_what_it_does_not_understand_gets_a_question_mark(terminal: Terminal, text: str) -> None:
    terminal.type("ATE0")
    assert terminal.type(text) == "?\r\r>"


def test_a_bare_carriage_return_repeats_the_last_command(terminal: Terminal) -> None:
    terminal.type("ATE0")
    terminal.type("ATRV")
    assert terminal.type("") == "12.6V\r\r>"
    assert terminal.type("  ") == "12.6V\r\r>"


def test_a_bare_carriage_return_as_first_thing_gives_a_prompt(terminal: Terminal) -> None:
    assert terminal.type("") == "\r\r>"


def test_a_command_that_is_too_long_gets_a_question_mark(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "0" * 400) == ["?"]
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


def test_a_command_left_unfinished_is_given_up_after_twenty_seconds(terminal: Terminal) -> None:
    terminal.type("ATE0")
    assert terminal.send(b"010", wait=25.0) == b"?\r\r>"
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


def test_supply_voltage_has_one_decimal_and_can_be_calibrated(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATRV") == ["12.6V"]
    assert terminal.ask("ATCV 1310", "ATRV") == ["13.1V"]
    assert terminal.ask("ATCV 0000", "ATRV") == ["12.6V"]


def test_a_voltage_nobody_knows_is_not_made_up() -> None:
    assert Terminal(TableBus({}, voltage=float("nan"))).ask("ATRV") == ["?"]


def test_ignition_sense(car: TableBus) -> None:
    terminal = Terminal(car)
    assert terminal.ask("ATE0", "AT IGN") == ["ON"]
    car.ignition = False
    assert terminal.ask("AT IGN") == ["OFF"]


def test_a_byte_and_a_name_can_be_stored(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "AT SD 5A", "AT RD") == ["5A"]
    assert terminal.ask("AT @2") == ["?"]
    assert terminal.ask("AT @3 MY-ADAPTER-1", "AT @2") == ["MY-ADAPTER-1"]
    assert terminal.ask("AT @3 MY-ADAPTER-2") == ["?"]


def test_programmable_parameters_are_listed_and_take_effect_on_a_reset(terminal: Terminal) -> None:
    summary = terminal.ask("ATE0", "ATPPS")
    assert summary[0] == "00:FF F  01:FF F  02:FF F  03:32 F"
    assert len(summary) == 12
    terminal.ask("ATPP 09 SV FF", "ATPP 09 ON")  # echo off as default
    assert terminal.type("ATZ") == "\r\rELM327 v2.2\r\r>"
    assert terminal.type("ATI") == "ELM327 v2.2\r\r>"
    terminal.ask("ATPP FF OFF", "ATZ")
    assert terminal.type("ATI") == "ATI\rELM327 v2.2\r\r>"


def test_sleeping_adapter_wakes_at_the_next_character(terminal: Terminal) -> None:
    terminal.type("ATE0")
    assert terminal.type("ATLP") == "OK\r"
    assert terminal.send(b" ") == b"\r\rELM327 v2.2\r\r>"
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


@pytest.mark.parametrize(
    "command",
    SETTING_COMMANDS,
)
def test_settings_are_taken_with_ok(terminal: Terminal, command: str) -> None:
    expected = ["?"] if command == "SH7E00" else ["OK"]
    assert terminal.ask("ATE0", f"AT {command}") == expected


# -- requests -------------------------------------------------------------------------------------------------------


def test_first_request_searches_and_later_ones_do_not(terminal: Terminal) -> None:
    terminal.type("ATE0")
    assert terminal.type("0100") == "SEARCHING...\r41 00 BE 3F B8 11 \r41 00 80 00 00 00 \r\r>"
    assert terminal.type("01 05") == "41 05 7B \r\r>"
    assert terminal.ask("AT DP") == ["AUTO, ISO 15765-4 (CAN 11/500)"]
    assert terminal.ask("AT DPN") == ["A6"]


def test_before_the_search_no_protocol_is_claimed(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "AT DP") == ["AUTO"]
    assert terminal.ask("AT DPN") == ["A0"]
    assert terminal.ask("AT SP 6", "AT DP") == ["ISO 15765-4 (CAN 11/500)"]
    assert terminal.ask("AT DPN") == ["6"]


def test_a_protocol_that_was_found_is_tried_first_after_a_reset(terminal: Terminal) -> None:
    terminal.ask("0100", "ATZ", "ATE0")
    assert terminal.ask("AT DPN") == ["A6"]
    assert terminal.ask("ATM0", "ATSP3", "ATZ", "ATE0", "ATDPN") == ["A6"]  # memory off: not stored
    assert terminal.ask("ATM1", "ATSP3", "ATZ", "ATE0", "ATDPN") == ["3"]


def test_wrong_first_protocol_is_searched_past_when_automatic(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSPA3", "0105") == ["SEARCHING...", "41 05 7B"]
    assert terminal.ask("ATDPN") == ["A6"]


@pytest.mark.parametrize(
    ("protocol", "answer"),
    [("7", "NO DATA"), ("8", "CAN ERROR"), ("3", "BUS INIT: ...ERROR"), ("5", "BUS INIT: ...ERROR"), ("2", "NO DATA")],
)
def test_wrong_fixed_protocol_fails_in_its_own_way(terminal: Terminal, protocol: str, answer: str) -> None:
    assert terminal.ask("ATE0", f"ATSP{protocol}", "0100") == [answer]


def test_nobody_there(car: TableBus) -> None:
    car.ignition = False
    terminal = Terminal(car)
    assert terminal.ask("ATE0", "0100") == ["SEARCHING...", "UNABLE TO CONNECT"]
    assert terminal.took > 2.0  # it has tried them all
    assert terminal.ask("ATSP6", "0100") == ["CAN ERROR"]


def test_no_answer_is_no_data_after_the_set_time(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATST FF", "0199") == ["NO DATA"]
    assert terminal.took == pytest.approx(255 * 0.004096, abs=0.02)


def test_the_number_after_a_request_ends_it_early(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATAT0", "0105") == ["41 05 7B"]
    waited = terminal.took
    assert terminal.ask("01 05 1") == ["41 05 7B"]
    assert terminal.took < waited - 0.15
    assert terminal.ask("01001") == ["41 00 BE 3F B8 11"]
    assert terminal.ask("01002") == ["41 00 BE 3F B8 11", "41 00 80 00 00 00"]


def test_headers_on_shows_sender_and_length(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATH1", "0100") == ["7E8 06 41 00 BE 3F B8 11", "7E9 06 41 00 80 00 00 00"]
    assert terminal.type("ATS0") == "OK\r\r>"
    assert terminal.type("010C") == "7E804410C1AF8\r\r>"


def test_two_units_answer_long_messages_through_one_another(terminal: Terminal) -> None:
    lines = terminal.ask("ATE0", "ATSP6", "ATH1", "0904")
    assert lines == [
        "7E8 10 13 49 04 01 35 36 30",
        "7E9 10 13 49 04 01 35 36 30",
        "7E8 21 32 38 39 34 39 41 43",
        "7E9 21 32 38 39 35 34 41 43",
        "7E8 22 00 00 00 00 00 00 00",
        "7E9 22 00 00 00 00 00 00 00",
    ]
    assert terminal.ask("ATH0", "0904")[:3] == ["013", "0: 49 04 01 35 36 30", "013"]


def test_one_unit_can_be_addressed_alone(terminal: Terminal, car: TableBus) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATH1", "ATSH7E1", "0100") == ["7E9 06 41 00 80 00 00 00"]
    assert car.asked[-1][1] == TRANSMISSION
    assert terminal.ask("ATSH 7E5", "0100") == ["NO DATA"]
    assert len(terminal.ask("ATSH 7DF", "0100")) == 2
    assert terminal.ask("ATSH 00 07 E0", "0100") == ["7E8 06 41 00 BE 3F B8 11"]


def test_answers_can_be_filtered(terminal: Terminal) -> None:
    both = terminal.ask("ATE0", "ATSP6", "ATH1", "0100")
    assert len(both) == 2
    assert terminal.ask("ATCRA 7E9", "0100") == both[1:]
    assert terminal.ask("ATCRA 7EX", "0100") == both
    assert terminal.ask("ATCRA 123", "0100") == ["NO DATA"]
    assert terminal.ask("ATCRA", "0100") == both
    assert terminal.ask("ATCF 7E8", "ATCM 7FF", "0100") == both[:1]
    assert terminal.ask("ATAR", "0100") == both


def test_without_flow_control_only_the_first_frame_comes(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATH1", "ATCFC0", "0902") == ["7E8 10 14 49 02 01 31 44 34"]
    assert len(terminal.ask("ATCFC1", "0902")) == 3


def test_own_flow_control_must_be_right(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATFCSM1") == ["?"]  # nothing set yet
    assert terminal.ask("ATFCSH 7E0", "ATFCSD 30 00 00", "ATFCSM1", "ATH1", "0902")[-1].startswith("7E8 22")
    assert len(terminal.ask("ATFCSH 7E1", "0902")) == 1
    assert len(terminal.ask("ATFCSM 2", "0902")) == 3


def test_own_frames_with_formatting_off(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATCAF0", "02 01 0C") == ["04 41 0C 1A F8 00 00 00"]
    assert terminal.ask("01 0C") == ["NO DATA"]  # a frame that announces one byte, 0C: no such service
    assert terminal.ask("02 01 0C 00 00 00 00 00") == ["04 41 0C 1A F8 00 00 00"]
    assert terminal.ask("02 01 0C 00 00 00 00 00 00") == ["?"]


def test_too_many_bytes_for_one_frame(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "01 0C 0D 05 04 0B 06 07") == ["?"]


def test_responses_off_sends_and_does_not_wait(terminal: Terminal, car: TableBus) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATR0", "010C") == []
    assert car.asked[-1][0] == bytes.fromhex("010C")
    assert terminal.took < 0.02


def test_extended_addressing_reaches_nobody(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "ATCEA 10", "010C") == ["NO DATA"]
    assert terminal.ask("ATCEA", "010C") == ["41 0C 1A F8"]


def test_defaults_are_restored(terminal: Terminal) -> None:
    terminal.ask("ATSP6", "ATH1", "ATS0", "ATSH7E1", "ATCRA7E9")
    assert terminal.type("ATD") == "ATD\rOK\r\r>"
    assert terminal.type("0105") == "0105\r41 05 7B \r\r>"


def test_the_last_frame_can_be_looked_at(terminal: Terminal) -> None:
    assert terminal.ask("ATE0", "ATSP6", "010C", "ATBD") == ["08 04 41 0C 1A F8 00 00 00 00 00 00 00"]


# -- breaking off ---------------------------------------------------------------------------------------------------


def test_a_character_stops_a_request_and_is_eaten(terminal: Terminal) -> None:
    terminal.ask("ATE0", "ATSP6", "ATST FF")
    assert terminal.send(b"0199\r", wait=0.1) == b""
    assert terminal.send(b"A") == b"STOPPED\r\r>"
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


def test_a_search_can_be_stopped(terminal: Terminal, car: TableBus) -> None:
    car.ignition = False
    terminal.type("ATE0")
    assert terminal.send(b"0100\r", wait=0.5) == b"SEARCHING...\r"
    assert terminal.send(b" \n\0", wait=0.1) == b""  # spaces, linefeeds and nulls do not count
    assert terminal.send(b"x") == b"STOPPED\r\r>"


def test_monitoring_lasts_until_a_character_comes(terminal: Terminal) -> None:
    terminal.ask("ATE0", "ATSP6")
    assert terminal.send(b"ATMA\r", wait=30.0) == b""
    assert terminal.send(b"\r") == b"STOPPED\r\r>"


def test_adapter_commands_typed_ahead_are_done_one_after_another(terminal: Terminal) -> None:
    assert terminal.send(b"ATE0\rATI\rATRV\r") == b"ATE0\rOK\r\r>ELM327 v2.2\r\r>12.6V\r\r>"


# -- older buses ----------------------------------------------------------------------------------------------------


def older(protocol: str) -> Terminal:
    table = {
        "01 00": [(0x10, "41 00 BE 1F B8 11", 0.03)],
        "01 01": [(0x10, "41 01 81 07 65 04", 0.03)],
        "03": [(0x10, "43 01 33 00 00 00 00", 0.03)],
        "09 02": [
            (0x10, text, 0.03)
            for text in (
                "49 02 01 00 00 00 31",
                "49 02 02 44 34 47 50",
                "49 02 03 30 30 52 35",
                "49 02 04 35 42 31 32",
                "49 02 05 33 34 35 36",
            )
        ],
    }
    return Terminal(TableBus(table, protocol=protocol))


@pytest.mark.parametrize("protocol", ["3", "4", "5"])
def test_a_k_line_is_initialised_first_and_stays_so(protocol: str) -> None:
    terminal = older(protocol)
    assert terminal.ask("ATE0", f"ATSP{protocol}", "0100") == ["BUS INIT: OK", "41 00 BE 1F B8 11"]
    assert terminal.ask("0101") == ["41 01 81 07 65 04"]
    assert terminal.ask("ATKW")[0].startswith("1:")


def test_a_k_line_session_ends_without_wake_up_messages() -> None:
    terminal = older("3")
    terminal.ask("ATE0", "ATSP3", "0100")
    terminal.clock.sleep(60.0)
    assert terminal.ask("0101") == ["41 01 81 07 65 04"]  # kept awake by itself
    terminal.ask("ATSW00")
    terminal.clock.sleep(6.0)
    assert terminal.ask("0101") == ["BUS INIT: OK", "41 01 81 07 65 04"]
    assert terminal.ask("ATPC", "0101") == ["BUS INIT: OK", "41 01 81 07 65 04"]


def test_k_lines_can_be_initialised_by_hand() -> None:
    assert older("5").ask("ATE0", "ATSP5", "ATFI") == ["BUS INIT: OK"]
    assert older("3").ask("ATE0", "ATSP3", "ATSI") == ["BUS INIT: OK"]
    assert older("3").ask("ATE0", "ATSP3", "ATFI") == ["?"]


def test_vin_before_can_comes_in_five_numbered_messages() -> None:
    assert older("2").ask("ATE0", "ATSP2", "0902") == [
        "49 02 01 00 00 00 31",
        "49 02 02 44 34 47 50",
        "49 02 03 30 30 52 35",
        "49 02 04 35 42 31 32",
        "49 02 05 33 34 35 36",
    ]


def test_headers_and_check_bytes_before_can() -> None:
    assert older("3").ask("ATE0", "ATSP3", "ATH1", "0100")[-1] == "48 6B 10 41 00 BE 1F B8 11 AA"
    assert older("5").ask("ATE0", "ATSP5", "ATH1", "03")[-1].startswith("87 F1 10 43 01 33 00 00 00 00 ")
    assert older("1").ask("ATE0", "ATSP1", "ATH1", "0100")[-1].startswith("41 6B 10 41 00 BE 1F B8 11 ")


def test_receive_address_filters_before_can() -> None:
    terminal = older("5")
    assert terminal.ask("ATE0", "ATSP5", "ATSR F1", "0101")[-1] == "41 01 81 07 65 04"
    assert terminal.ask("ATSR 22", "0101") == ["NO DATA"]


def test_one_unit_is_addressed_alone_on_iso_14230() -> None:
    terminal = older("5")
    assert terminal.ask("ATE0", "ATSP5", "ATSH 82 10 F1", "0101")[-1] == "41 01 81 07 65 04"
    assert terminal.ask("ATSH 82 11 F1", "0101") == ["NO DATA"]
