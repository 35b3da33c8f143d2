"""The context file: what a table cannot carry arrives in the session, and every wrong entry is named."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from obdwatch.decoding.monitors import passed
from obdwatch.errors import InputError
from obdwatch.recording.importers import ImportOptions
from obdwatch.recording.importing.context import read_context
from obdwatch.records import CodeKind
from tests.recording.tables import Imported, imported

WHOLE: dict[str, Any] = {
    "car": {"id": "family-car", "displacement_l": 2.5, "cylinders": 6, "firing_order": [1, 5, 3, 6, 2, 4]},
    "odometer_km": 184000,
    "soak_hours": 9,
    "started_at": "2026-11-25T07:15:00+01:00",
    "codes": {"stored": ["p0128"], "pending": [], "permanent": ["P0302"]},
    "monitors": [
        {"monitor": "A2", "test": "0C", "value": 3, "minimum": 0, "maximum": 65535, "unit": "count"},
        {"monitor": "35", "test": "80", "value": -4.0, "minimum": -10.0, "maximum": 10.0, "unit": "deg"},
        {"monitor": "01", "test": "05", "value": 80, "minimum": 0, "maximum": 200, "unit": "ms"},
    ],
}


def with_context(folder: Path, document: object, options: ImportOptions | None = None) -> Imported:
    path = folder / "context.json"
    path.write_text(document if isinstance(document, str) else json.dumps(document), "utf-8")
    given = options or ImportOptions()
    options = ImportOptions(
        context=path, car_id=given.car_id, odometer_km=given.odometer_km, soak_hours=given.soak_hours
    )
    return imported(folder, "time_s,engine_speed\n0,800\n60.5,810\n", options=options)


def test_a_whole_context_arrives_in_the_session(tmp_path: Path) -> None:
    result = with_context(tmp_path, WHOLE)
    session = result.contents.session
    assert (session.car_id, session.odometer_km, session.soak_hours) == ("family-car", 184000.0, 9.0)
    assert session.started_at == datetime(2026, 11, 25, 6, 15, tzinfo=UTC)
    assert [(c.t, c.kind, c.code) for c in result.contents.codes] == [
        (60.5, CodeKind.STORED, "P0128"), (60.5, CodeKind.PERMANENT, "P0302"),
    ]  # fmt: skip
    assert result.report.car is not None
    assert result.report.car.firing_order == (1, 5, 3, 6, 2, 4)


def test_monitor_results_get_the_scaling_a_car_would_use(tmp_path: Path) -> None:
    """SAE J1979: 24 hex counts, 9C 0.01 degree signed, 10 milliseconds; FE70 = -4.00 deg, FC18 = -10, 03E8 = 10."""
    found = with_context(tmp_path, WHOLE).contents.monitors
    assert [(m.monitor, m.test, m.scaling, m.raw) for m in found] == [
        (0xA2, 0x0C, 0x24, (3, 0, 0xFFFF)), (0x35, 0x80, 0x9C, (0xFE70, 0xFC18, 0x03E8)),
        (0x01, 0x05, 0x10, (80, 0, 200)),
    ]  # fmt: skip
    assert all(passed(result) for result in found)


def test_values_stay_as_the_user_gave_them(tmp_path: Path) -> None:
    entry = {"monitor": "21", "test": "80", "value": 0.3008, "minimum": None, "maximum": 0.7461, "unit": "ratio"}
    (result,) = with_context(tmp_path, {"monitors": [entry]}).contents.monitors
    assert (result.value, result.minimum, result.maximum, result.unit) == (0.3008, None, 0.7461, "ratio")


def test_all_zero_means_that_the_test_has_not_run(tmp_path: Path) -> None:
    """40 CFR 86.010-18(k)(4)(v): value and limits are zero until a monitor has run after an erase."""
    entry = {"monitor": "21", "test": "80", "value": 0, "minimum": 0, "maximum": 0, "unit": "count"}
    assert not with_context(tmp_path, {"monitors": [entry]}).contents.monitors[0].completed


def test_what_the_user_says_on_the_command_line_stands_above_the_context(tmp_path: Path) -> None:
    options = ImportOptions(car_id="other-car", odometer_km=1.0, soak_hours=2.0)
    session = with_context(tmp_path, WHOLE, options).contents.session
    assert (session.car_id, session.odometer_km, session.soak_hours) == ("other-car", 1.0, 2.0)


def test_entries_may_be_missing_or_null(tmp_path: Path) -> None:
    session = with_context(tmp_path, {"car": None, "odometer_km": None}).contents.session
    assert (session.car_id, session.odometer_km) == (None, None)
    assert with_context(tmp_path, {}).report.car is None


def test_a_car_without_id_is_called_by_its_name(tmp_path: Path) -> None:
    assert with_context(tmp_path, {"car": {"name": "Mum's car"}}).contents.session.car_id == "mum-s-car"
    assert with_context(tmp_path, {"car": {"cylinders": 4}}).contents.session.car_id == "context"


MONITOR = {"monitor": "A2", "test": "0C", "value": 3, "unit": "count"}


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ("", "line 1: is no JSON"),
        ('{"car": \n oops}', "line 2: is no JSON"),
        ("[1]", "must hold one JSON object"),
        ({"odometer": 5}, "no entry 'odometer'; it may hold car, odometer_km"),
        ({"odometer_km": "5"}, "odometer_km must be a number, not '5'"),
        ({"odometer_km": -5}, "odometer_km is -5; it lies between 0"),
        ({"odometer_km": True}, "odometer_km must be a number"),
        ('{"odometer_km": NaN}', "odometer_km must be a number, not nan"),
        ({"soak_hours": 1e9}, "soak_hours is 1e+09"),
        ({"started_at": "yesterday"}, "started_at must be a date and time"),
        ({"started_at": 5}, "started_at must be a date and time"),
        ({"codes": []}, "codes must be an object with stored, pending, permanent"),
        ({"codes": {"confirmed": []}}, "codes has no entry 'confirmed'"),
        ({"codes": {"stored": "P0128"}}, "codes.stored must be a list"),
        ({"codes": {"stored": ["P128"]}}, "codes.stored holds 'P128', which is no trouble code"),
        ({"codes": {"stored": [128]}}, "codes.stored holds 128"),
        ({"monitors": {}}, "monitors must be a list"),
        ({"monitors": [5]}, "monitors[0] must be an object"),
        ({"monitors": [MONITOR, MONITOR | {"limit": 3}]}, "monitors[1] has no entry 'limit'"),
        ({"monitors": [{"monitor": "A2", "test": "0C"}]}, "monitors[0] lacks 'value'"),
        ({"monitors": [MONITOR | {"monitor": "XY"}]}, "monitors[0].monitor must be two hexadecimal digits"),
        ({"monitors": [MONITOR | {"monitor": 162}]}, "monitors[0].monitor must be two hexadecimal digits"),
        ({"monitors": [MONITOR | {"value": "3"}]}, "monitors[0].value must be a number"),
        ({"monitors": [MONITOR | {"unit": "smoots"}]}, "monitors[0].unit 'smoots' is no unit that service 06 has"),
        ({"monitors": [MONITOR | {"unit": 5}]}, "monitors[0].unit must be a text"),
        ({"monitors": [MONITOR | {"unit": "V", "value": 1e9}]}, "monitors[0].unit 'V' is no unit that service 06 has"),
        ({"car": "family-car"}, "car must be an object"),
        ({"car": {"id": "a", "colour": "blue"}}, "car: a car has no field 'colour'"),
        (
            {"car": {"id": "a", "cylinders": 6, "firing_order": [1, 2, 3]}},
            "firing_order [1, 2, 3] must name each of the 6",
        ),
    ],
)
def test_a_wrong_entry_is_named_with_the_file(tmp_path: Path, document: object, message: str) -> None:
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        with_context(tmp_path, document)
    assert str(caught.value).startswith(str(tmp_path / "context.json"))
    assert "\n" not in str(caught.value)


def test_a_missing_context_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such context file"):
        read_context(tmp_path / "none.json")


def test_binary_data_is_no_context(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(InputError, match="is no JSON text"):
        read_context(tmp_path / "x.json")
