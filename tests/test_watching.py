"""A drive that is being recorded is watched for overheating, and warned of once for each step that it gets worse."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdwatch.commands.words import warning_lines
from obdwatch.recording.session_file import SessionWriter
from obdwatch.records import Exchange, ReplyStatus, Session, Urgency
from obdwatch.watching import DangerWatch


def coolant(t: float, temperature: float) -> tuple[Exchange, ...]:
    """Coolant temperature and engine speed as SAE J1979 carries them (parameters 05 and 0C)."""
    return (
        Exchange(t, 0.05, b"\x01\x05", 0x7E8, ReplyStatus.OK, bytes([0x41, 0x05, round(temperature) + 40])),
        Exchange(t + 0.1, 0.05, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c\x1a\xf8"),
    )


def watched(path: Path, temperatures: list[float], every: int = 5) -> list[Urgency | None]:
    """Write a reading a second, look every few seconds; return the urgencies that were warned of."""
    told = []
    with SessionWriter(path, Session(path.stem, None)) as writer:
        watch = DangerWatch(path)
        for second, temperature in enumerate(temperatures):
            for exchange in coolant(float(second), temperature):
                writer.exchange(exchange)
            writer.commit()
            if second % every == 0 and (found := watch.look()) is not None:
                told.append(found.urgency)
    return told


def test_a_hot_engine_is_warned_of_once_for_each_step(tmp_path: Path) -> None:
    climbing = [90.0] * 300 + [90.0 + 0.1 * s for s in range(400)] + [130.0] * 60
    assert watched(tmp_path / "a.obdw", climbing) == [Urgency.SOON, Urgency.STOP]


def test_after_cooling_down_it_warns_again(tmp_path: Path) -> None:
    spell = [95.0] * 200 + [118.0] * 60 + [95.0] * 300
    assert watched(tmp_path / "a.obdw", spell * 2) == [Urgency.SOON, Urgency.SOON]


@pytest.mark.parametrize("temperature", [60.0, 90.0, 108.0])
def test_a_sound_engine_is_left_alone(tmp_path: Path, temperature: float) -> None:
    assert watched(tmp_path / "a.obdw", [temperature] * 600) == []


def test_the_warning_says_what_to_do_first(tmp_path: Path) -> None:
    path = tmp_path / "a.obdw"
    with SessionWriter(path, Session("a", None)) as writer:
        for second in range(300):
            for exchange in coolant(float(second), 124.0):
                writer.exchange(exchange)
        writer.commit()
        found = DangerWatch(path).look()
    assert found is not None
    lines = warning_lines(found, "us")
    assert lines[0].startswith("WARNING: ")
    assert "switch the engine off" in lines[1]
    assert "Never open the cooling system hot" in lines[2]
