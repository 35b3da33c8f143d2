"""Every format reads back to equal times and values; one abstract test runs over all of them."""

from __future__ import annotations

import builtins
import csv
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from obdwatch.errors import InputError
from obdwatch.recording import exporters
from obdwatch.recording.exporters import EXPORTERS, SUFFIXES, context_of, export_drive, export_exchanges
from obdwatch.recording.importers import ImportOptions, import_file
from obdwatch.recording.importing.names import unit_of
from obdwatch.recording.session_file import SessionWriter, read_session
from obdwatch.records import (
    Car,
    CodeKind,
    CodeReading,
    Drive,
    Exchange,
    ReplyStatus,
    Session,
    Signal,
)

pytest.importorskip("pyarrow")
pytest.importorskip("asammdf")

START = datetime(2026, 3, 1, 7, 10, 5, 250000, tzinfo=UTC)


def signal(key: str, times: Any, values: Any) -> Signal:
    return Signal(key, unit_of(key.partition("@")[0]), np.array(times, dtype=float), np.array(values, dtype=float))


def drive_of(*signals: Signal, start: datetime | None = START) -> Drive:
    return Drive(Session("2026-03-01T071005-abcd", start), {one.key: one for one in signals})


def awkward() -> Drive:
    """Numbers that suffer from rounding, times shared and not shared, one signal with a single value."""
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.03, 0.2, 500))
    return drive_of(
        signal("engine_speed", t, rng.uniform(700, 6000, 500)),
        signal("coolant_temperature", t[::7], np.round(rng.uniform(-40, 110, len(t[::7])))),
        signal("air_flow", t + 1 / 3, rng.uniform(0, 1e-3, 500)),
        signal("coolant_temperature@7E9", [1 / 7], [0.1 + 0.2]),
        signal("commanded_equivalence_ratio", t[:3], [1.0, 2 / 3, 0.1]),
        signal("timing_advance", t[5:9], [-64.0, 0.0, 63.5, -0.0]),
    )


def constant() -> Drive:
    """Long runs of equal values in every row: nothing here was carried forward."""
    t = np.arange(300) * 0.5
    return drive_of(
        signal("engine_speed", t, np.full(300, 800.0)), signal("vehicle_speed", t, np.repeat([0.0, 1.0, 0.0], 100))
    )


def taking_turns() -> Drive:
    """A recording that asks for one signal after the other."""
    rng = np.random.default_rng(2)
    t = np.arange(900) * 0.1
    values = {key: np.round(rng.normal(50, 3, 300)) for key in ("coolant_temperature", "vehicle_speed", "air_flow")}
    return drive_of(*(signal(key, t[place::3], v) for place, (key, v) in enumerate(values.items())))


DRIVES: dict[str, Callable[[], Drive]] = {
    "awkward": awkward,
    "constant": constant,
    "taking turns": taking_turns,
    "undated": lambda: drive_of(signal("engine_speed", [0.0, 1.0], [800.0, 900.0]), start=None),
}


@pytest.mark.parametrize("form", EXPORTERS)
@pytest.mark.parametrize("name", DRIVES)
def test_what_is_exported_reads_back_equal(tmp_path: Path, form: str, name: str) -> None:
    drive = DRIVES[name]()
    target = export_drive(drive, tmp_path / f"drive{SUFFIXES[form]}", form)
    path, report = import_file(target, tmp_path / "back")
    back = read_session(path)
    assert set(back.samples) == set(drive.signals)
    for key, (times, values) in back.samples.items():
        assert times.tolist() == drive.signals[key].times.tolist(), key
        assert values.tolist() == drive.signals[key].values.tolist(), key
    assert report.dropped == ()
    assert report.round_rows is None
    if form in ("parquet", "mdf4"):
        assert back.session.started_at == drive.session.started_at


def test_times_before_the_start_are_kept_apart(tmp_path: Path) -> None:
    """Importing shifts a table that starts before zero, and says so; the distances stay."""
    drive = drive_of(signal("engine_speed", [-1.5, 0.0, 1.0], [700.0, 800.0, 900.0]))
    path, report = import_file(export_drive(drive, tmp_path / "a.csv"), tmp_path / "back")
    assert read_session(path).samples["engine_speed"][0].tolist() == [0.0, 1.5, 2.5]
    assert any("start at -1.5 s" in note for note in report.notes)


def test_long_csv_is_plain_and_in_order_of_time(tmp_path: Path) -> None:
    target = export_drive(taking_turns(), tmp_path / "a.csv")
    with target.open(newline="", encoding="utf-8") as handle:
        header, *rows = csv.reader(handle)
    assert header == ["time_s", "signal", "value"]
    assert len(rows) == 900
    assert [float(row[0]) for row in rows] == sorted(float(row[0]) for row in rows)


def test_wide_csv_leaves_cells_blank_where_nothing_was_read(tmp_path: Path) -> None:
    target = export_drive(taking_turns(), tmp_path / "a.csv", "csv-wide")
    with target.open(newline="", encoding="utf-8") as handle:
        header, *rows = csv.reader(handle)
    assert header == ["time_s", "coolant_temperature", "vehicle_speed", "air_flow"]
    assert all(sum(1 for cell in row[1:] if cell) == 1 for row in rows)


def test_mdf_says_name_and_unit(tmp_path: Path) -> None:
    import asammdf

    target = export_drive(awkward(), tmp_path / "a.mf4", "mdf4")
    with asammdf.MDF(target) as mdf:
        channel = mdf.get("engine_speed")
        assert (channel.name, channel.unit, len(channel.samples)) == ("engine_speed", "1/min", 500)


@pytest.mark.parametrize("form", EXPORTERS)
def test_the_file_has_the_name_that_was_asked_for(tmp_path: Path, form: str) -> None:
    export_drive(constant(), tmp_path / "plain", form)
    assert [path.name for path in tmp_path.iterdir()] == ["plain"]


@pytest.mark.parametrize(("form", "module"), [("parquet", "pyarrow"), ("mdf4", "asammdf")])
def test_a_missing_extra_names_the_command(
    tmp_path: Path, form: str, module: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def absent(name: str, *rest: object) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(exporters, "import_module", absent)
    extra = {"parquet": "parquet", "mdf4": "mdf"}[form]
    with pytest.raises(InputError, match=rf"this format needs {module}: pip install 'obdwatch\[{extra}\]'"):
        export_drive(constant(), tmp_path / "a", form)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten_unless_asked(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    target.write_text("mine", "utf-8")
    with pytest.raises(InputError, match="exists already"):
        export_drive(constant(), target)
    assert target.read_text("utf-8") == "mine"
    assert export_drive(constant(), target, overwrite=True).read_text("utf-8").startswith("time_s,")


def test_a_failing_writer_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.open

    def full(*arguments: Any, **options: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(InputError, match="cannot be written"):
        export_drive(constant(), tmp_path / "a.csv")
    assert real is builtins.open
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("drive", "form", "message"),
    [
        (constant(), "xlsx", "'xlsx' is no export format; there are csv"),
        (drive_of(), "csv", "holds no signals to export"),
        (drive_of(signal("engine_speed", [], [])), "csv", "holds no signals to export"),
    ],
)
def test_what_cannot_be_exported_says_why(tmp_path: Path, drive: Drive, form: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        export_drive(drive, tmp_path / "a.csv", form)


def test_a_folder_is_no_target(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        export_drive(constant(), tmp_path)


def test_raw_exchanges_are_written_as_hexadecimal(tmp_path: Path) -> None:
    with SessionWriter(tmp_path / "a.obdw", Session("a", START)) as writer:
        writer.exchange(Exchange(0.0, 0.04, b"\x01\x0c", 0x7E8, ReplyStatus.OK, b"\x41\x0c\x1a\xf8"))
        writer.exchange(Exchange(0.5, 1.0, b"\x01\x0d", None, ReplyStatus.TIMEOUT, raw="SEARCHING..."))
    target = export_exchanges(read_session(tmp_path / "a.obdw"), tmp_path / "a.csv")
    with target.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert rows[0] | {"t_s": "0.0", "request": "01 0C", "payload": "41 0C 1A F8", "ecu": "2024"} == rows[0]
    assert (rows[1]["status"], rows[1]["payload"], rows[1]["raw"]) == ("timeout", "", "SEARCHING...")


def test_the_context_carries_what_a_table_cannot(tmp_path: Path) -> None:
    from dataclasses import replace

    from obdwatch.decoding.monitors import result_of

    car = Car("family-car", displacement_l=2.5, cylinders=6, bank_cylinders=((1, 2, 3), (4, 5, 6)))
    drive = constant()
    drive = replace(
        drive,
        session=replace(drive.session, odometer_km=163800.0, soak_hours=9.0),
        codes=(CodeReading(3.0, CodeKind.STORED, "P0128"), CodeReading(9.0, CodeKind.STORED, "P0128")),
        monitors=(result_of(0xA2, 0x0C, 0x24, 3, 0, 65535), result_of(0x35, 0x80, 0x9C, -4, -10, 10)),
    )
    context = tmp_path / "context.json"
    context.write_text(context_of(drive, car), "utf-8")
    assert json.loads(context.read_text("utf-8"))["codes"]["stored"] == ["P0128"]
    table = export_drive(drive, tmp_path / "a.csv")
    path, report = import_file(table, tmp_path / "back", ImportOptions(context=context))
    back = read_session(path)
    assert report.car == car
    assert (back.session.odometer_km, back.session.soak_hours, back.session.started_at) == (163800.0, 9.0, START)
    assert [code.code for code in back.codes] == ["P0128"]
    assert [replace(m, t=0.0) for m in back.monitors] == list(drive.monitors)
