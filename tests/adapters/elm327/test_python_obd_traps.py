"""Replies that python-OBD's own query turns into a number, or loses, and what becomes of them here.

Each case first shows what python-OBD 0.7.3 makes of it, so that the test says when a later version behaves.
"""

from __future__ import annotations

import pytest

from tests.adapters.elm327.conftest import Bench
from tests.adapters.elm327.true_replies import legacy_line

obd = pytest.importorskip("obd")


def python_obd(command: str, lines: list[str], parser: str = "ISO_15765_4_11bit_500k") -> float | None:
    """What python-OBD decodes from the lines of a reply."""
    messages = getattr(obd.protocols, parser)([])(lines)
    if not messages:
        return None
    response = obd.commands[command](messages)
    return None if response.value is None else float(response.value.magnitude)


def ours(bench: Bench, request: str, lines: list[str]) -> list[tuple[str, str | None]]:
    bench.fake.answers[request].append("\r".join(lines) + "\r\r>")
    return [
        (exchange.status.value, exchange.payload.hex().upper() if exchange.payload else None)
        for exchange in bench.adapter.request(bytes.fromhex(request))
    ]


@pytest.mark.parametrize(
    ("name", "request_", "lines", "theirs", "status"),
    [
        ("RPM", "010C", ["7E8037F011200000000"], 1152.0, "negative"),
        ("RPM", "010C", ["7E804410D1AF8000000"], 1726.0, "wrong_reply"),
        ("RPM", "010C", ["7E803410C1A", "BUFFER FULL"], 1664.0, "bus_error"),
        ("COOLANT_TEMP", "0105", ["7E8024105"], -40.0, "wrong_reply"),
        ("COOLANT_TEMP", "0105", ["7E80241050000000000"], -40.0, "short"),
    ],
)
def test_what_python_obd_makes_a_number_of_is_none_here(
    bench: Bench, name: str, request_: str, lines: list[str], theirs: float, status: str
) -> None:
    assert python_obd(name, lines) == pytest.approx(theirs)
    assert ours(bench.connected(), request_, lines) == [(status, None)]


@pytest.mark.parametrize(
    "lines",
    [
        ["SEARCHING...7E804410C1AF8000000"],
        ["7E804410C1AF8000000", "7E804410C1AF8000000"],
        ["7E8037F017800000000", "7E804410C1AF8000000"],
    ],
)
def test_an_answer_python_obd_loses_is_kept_here(bench: Bench, lines: list[str]) -> None:
    assert python_obd("RPM", lines) is None
    assert ours(bench.connected(), "010C", lines) == [("ok", "410C1AF8")]


def test_a_k_line_message_without_its_checksum_is_no_value(bench: Bench) -> None:
    def car(command: str) -> str:
        return {"0100": legacy_line("486B10", "410018000000", "3")}.get(command, "NO DATA")

    bench.fake.protocol = "A3"
    bench.fake._car = car  # type: ignore[method-assign]
    cut = legacy_line("486B10", "41057B", "3")[:-2]
    assert python_obd("COOLANT_TEMP", [cut], "ISO_9141_2") == pytest.approx(-40.0)
    assert ours(bench.connected(), "0105", [cut]) == [("wrong_reply", None)]


def test_a_count_of_codes_that_lost_a_bit_does_not_hide_a_code(bench: Bench) -> None:
    line = "7E806430101330171AA"  # says one code and holds two
    (message,) = obd.protocols.ISO_15765_4_11bit_500k([])([line])
    assert bytes(message.data).hex() == "43010133"
    assert ours(bench.connected(), "03", [line])[0][1] is None


def test_stored_codes_of_an_old_bus_carry_no_forged_count(bench: Bench) -> None:
    lines = [legacy_line("486B10", "43013301710420", "3")]
    (message,) = obd.protocols.ISO_9141_2([])(lines)
    assert bytes(message.data).hex() == "4300013301710420"
    bench.fake.protocol = "A3"
    replies = {"0100": legacy_line("486B10", "410018000000", "3"), "03": lines[0]}
    bench.fake._car = lambda command: replies.get(command, "NO DATA")  # type: ignore[method-assign]
    bench.connected()
    assert bench.adapter.request(b"\x03")[0].payload == bytes.fromhex("43013301710420")


def test_importing_the_adapter_does_not_import_python_obd() -> None:
    import subprocess
    import sys

    script = "import sys, obdwatch.adapters.elm327.adapter; sys.exit('obd' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
