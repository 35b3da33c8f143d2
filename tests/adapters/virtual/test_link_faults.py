"""Damage on demand: what each link fault does to a dialogue, and that the same seed does it again."""

from __future__ import annotations

import pytest

from obdwatch.adapters.virtual.link_faults import LINK_FAULTS, LinkFault, parse_link_fault
from obdwatch.errors import InputError
from tests.adapters.virtual.client import Terminal
from tests.adapters.virtual.fake_car import ENGINE, TRANSMISSION, TableBus

RPM, SPEED = "41 0C 1A F8", "41 0D 32"
TABLE = {
    "01 00": [(ENGINE, "41 00 BE 3F B8 11", 0.01)],
    "01 0C": [(ENGINE, RPM, 0.01)],
    "01 0D": [(ENGINE, SPEED, 0.01), (TRANSMISSION, SPEED, 0.012)],
    "09 02": [(ENGINE, "49 02 01" + " 41" * 17, 0.01)],
}


def damaged(*faults: str, seed: int = 0) -> Terminal:
    terminal = Terminal(TableBus(TABLE), *faults, seed=seed)
    terminal.type("ATE0")
    terminal.type("ATSP6")
    return terminal


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("drop=0.02", LinkFault("drop", 0.02)),
        ("cut", LinkFault("cut")),
        ("late", LinkFault("late", seconds=1.5)),
        ("late=0.1:2.5", LinkFault("late", 0.1, seconds=2.5)),
        ("silent@60:10", LinkFault("silent", at=60.0, seconds=10.0)),
        ("reset@300", LinkFault("reset", at=300.0)),
        ("link_loss@120:7", LinkFault("link_loss", at=120.0, seconds=7.0)),
        ("unknown:at at2", LinkFault("unknown", command="ATAT2")),
        (" no_prompt=1e-3 ", LinkFault("no_prompt", 0.001)),
    ],
)
def test_faults_are_read_from_text(text: str, fault: LinkFault) -> None:
    assert parse_link_fault(text) == fault


NO_FAULTS = [
    "",
    "smoke",
    "drop=",
    "drop=2",
    "drop=-0.1",
    "drop=x",
    "late:x",
    "late:-1",
    "late:inf",
    "late:nan",
    "unknown",
    "drop=nan",
    "silent@",
    "silent@..",
    "drop=0.1=0.2",
]


@pytest.mark.parametrize("text", NO_FAULTS)
def test_what_is_no_fault_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_link_fault(text)
    assert "\n" not in str(refused.value)
    assert repr(text) in str(refused.value)


def test_silent_adapter_swallows_the_command() -> None:
    terminal = damaged("silent@0.01")
    terminal.clock.sleep(1.0)
    assert terminal.type("010C") == ""
    assert terminal.ask("010C") == [RPM]


def test_silence_can_last() -> None:
    terminal = damaged("silent@1:10")
    terminal.clock.sleep(1.0)
    assert terminal.type("010C") == ""
    terminal.clock.sleep(9.0)
    assert terminal.type("ATI") == ""
    terminal.clock.sleep(1.1)
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


def test_late_answer_comes_whole_but_late() -> None:
    terminal = damaged()
    terminal.ask("010C", "010C")
    usual = terminal.took
    terminal = damaged("late:1.5")
    terminal.ask("010C", "010C")
    assert terminal.took == pytest.approx(usual + 1.5)


def test_cut_answer_ends_in_the_middle_and_has_its_prompt() -> None:
    terminal = damaged("cut")
    for _ in range(20):
        text = terminal.type("010C")
        assert text.endswith(">")
        assert RPM.startswith(text[:-1].strip())
        assert text[:-1].strip() != RPM


def test_garbage_is_never_a_hexadecimal_digit_or_a_prompt() -> None:
    terminal = damaged("garbage")
    for _ in range(50):
        text = terminal.type("010C")
        assert text.endswith("\r\r>")
        assert text.count(">") == 1
        noise = [sign for sign in text[:-3] if not (sign.isascii() and sign.isprintable())]
        assert noise
        assert "".join(sign for sign in text[:-3] if sign not in noise).strip() == RPM


def test_dropped_line_is_missing() -> None:
    terminal = damaged("drop")
    assert terminal.ask("010D") == [SPEED]
    assert len(terminal.ask("ATH1", "0902")) == 2


def test_doubled_lines() -> None:
    assert damaged("double").ask("010C") == [RPM, RPM]


def test_foreign_answer_is_the_one_before() -> None:
    terminal = damaged("foreign@0.5")
    assert terminal.ask("010C") == [RPM]
    terminal.clock.sleep(1.0)
    assert terminal.ask("010D") == [RPM]
    assert terminal.ask("010D") == [SPEED, SPEED]


def test_missing_prompt() -> None:
    assert damaged("no_prompt").type("010C") == RPM + " \r"


def test_echo_that_stays_on() -> None:
    assert damaged("echo").type("010C") == f"010C\r{RPM} \r\r>"


def test_commands_of_choice_are_unknown() -> None:
    terminal = damaged("unknown:ATAT2", "unknown:010D")
    assert terminal.ask("AT AT 2") == ["?"]
    assert terminal.ask("AT AT 1") == ["OK"]
    assert terminal.ask("01 0D") == ["?"]
    assert terminal.ask("01 0C") == [RPM]


def test_buffer_full_follows_what_had_come() -> None:
    lines = damaged("buffer_full").ask("0902")
    assert lines[-1] == "BUFFER FULL"


@pytest.mark.parametrize(
    ("fault", "word"), [("stopped", "STOPPED"), ("can_error", "CAN ERROR"), ("no_data", "NO DATA")]
)
def test_error_words_replace_the_answer_of_the_car_only(fault: str, word: str) -> None:
    terminal = damaged(fault)
    assert terminal.ask("010C") == [word]
    assert terminal.ask("ATI") == ["ELM327 v2.2"]


def test_data_error_marks_the_last_line() -> None:
    assert damaged("data_error").ask("010C") == [RPM + " <DATA ERROR"]


def test_control_units_can_ask_for_patience_or_be_busy() -> None:
    assert damaged("pending").ask("010C") == ["7F 01 78", RPM]
    assert damaged("busy").ask("010D") == ["7F 01 21", "7F 01 21"]


def test_broken_link_comes_back() -> None:
    terminal = damaged("link_loss@1:5")
    terminal.clock.sleep(1.0)
    assert terminal.type("010C") == ""
    back = terminal.adapter.link_back_at()
    assert back == pytest.approx(terminal.clock.monotonic() + 5.0)
    assert terminal.type("ATI") == ""
    terminal.clock.sleep(5.0)
    assert terminal.adapter.link_back_at() is None
    assert terminal.ask("010C") == [RPM]


def test_reset_in_mid_session_forgets_settings() -> None:
    terminal = damaged("reset@1")
    terminal.ask("ATH1", "010C")
    terminal.clock.sleep(1.0)
    assert terminal.type("010C") == "\r\rELM327 v2.2\r\r>"
    assert terminal.type("010C") == f"010C\r{RPM} \r\r>"  # echo on, headers off


def session(seed: int) -> list[str]:
    faults = [f"{name}=0.2" for name in LINK_FAULTS if name not in ("unknown", "link_loss")]
    terminal = Terminal(TableBus(TABLE), *faults, seed=seed)
    return [terminal.type(command) for command in ["010C", "0902", "ATI"] * 40]


def test_same_seed_same_damage() -> None:
    assert session(7) == session(7)
    assert session(7) != session(8)


def test_another_fault_does_not_move_the_first_ones_strikes() -> None:
    alone, together = damaged("drop=0.3"), damaged("drop=0.3", "double=0.0")
    assert [alone.ask("010C") for _ in range(50)] == [together.ask("010C") for _ in range(50)]


def test_faults_strike_about_as_often_as_asked() -> None:
    terminal = damaged("no_data=0.1", seed=3)
    answers = [terminal.ask("010C") for _ in range(1000)]
    assert 70 <= answers.count(["NO DATA"]) <= 130  # three standard deviations of a binomial count
