"""Tables in every dress that loggers give them come out as the same numbers."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from obdwatch.errors import ImportFileError, InputError
from obdwatch.recording.importers import IMPORTERS, ImportOptions, import_file, importer_for
from obdwatch.recording.importing import csv_blocks
from obdwatch.records import MarkKind
from tests.recording.tables import imported, write

HEADER = ("time_s", "engine_speed", "coolant_temperature")
ROWS = (("0.0", "812.5", "20"), ("0.5", "1003.25", "21"), ("1.25", "1500", "-7"))


def table(separator: str, rows: tuple[tuple[str, ...], ...] = ROWS, header: tuple[str, ...] = HEADER) -> str:
    return "\n".join(separator.join(row) for row in (header, *rows)) + "\n"


def check_rows(result: object) -> None:
    assert result.times("engine_speed") == [0.0, 0.5, 1.25]  # type: ignore[attr-defined]
    assert result.values("engine_speed") == [812.5, 1003.25, 1500.0]  # type: ignore[attr-defined]
    assert result.values("coolant_temperature") == [20.0, 21.0, -7.0]  # type: ignore[attr-defined]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_every_separator_is_recognised(tmp_path: Path, separator: str) -> None:
    check_rows(imported(tmp_path, table(separator)))


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_decimal_comma_is_recognised(tmp_path: Path, separator: str) -> None:
    check_rows(imported(tmp_path, table(separator).replace(".", ",")))


def test_quoted_decimal_comma_between_commas(tmp_path: Path) -> None:
    quoted = tuple(tuple(f'"{cell.replace(".", ",")}"' for cell in row) for row in ROWS)
    check_rows(imported(tmp_path, table(",", quoted)))


def test_a_point_is_no_number_where_commas_are_decimal(tmp_path: Path) -> None:
    """`1.500` may be 1.5 or 1500 in such a file: it is left out, not guessed."""
    result = imported(tmp_path, "time_s;engine_speed\n0,0;812,5\n0,5;1.500\n1,0;900,25\n")
    assert result.values("engine_speed") == [812.5, 900.25]
    assert result.dropped("no number") == 1


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"])
def test_encodings_are_recognised(tmp_path: Path, encoding: str) -> None:
    text = "time_s,Engine Coolant Temperature [°C]\n0,20\n1,21\n"
    assert imported(tmp_path, text.encode(encoding)).values("coolant_temperature") == [20.0, 21.0]


def test_a_degree_sign_encoded_twice_is_understood(tmp_path: Path) -> None:
    text = "time_s,Engine Coolant Temperature [Â°C]\n0,20\n"
    assert imported(tmp_path, text).values("coolant_temperature") == [20.0]


def test_a_latin_sign_on_the_last_line_still_decides_the_encoding(tmp_path: Path) -> None:
    body = b"time_s,engine_speed,Bemerkung\n" + b"".join(b"%d,800,\n" % t for t in range(5000))
    result = imported(tmp_path, body + b"5000,900,M\xfcll\n")
    assert result.values("engine_speed")[-1] == 900.0


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_system(tmp_path: Path, newline: str) -> None:
    check_rows(imported(tmp_path, table(",").replace("\n", newline)))


def test_a_missing_last_newline_loses_nothing(tmp_path: Path) -> None:
    check_rows(imported(tmp_path, table(",").rstrip("\n")))


def test_trailing_separators_are_no_column(tmp_path: Path) -> None:
    check_rows(imported(tmp_path, table(",").replace("\n", ",\n")))
    check_rows(imported(tmp_path, table(",", tuple((*row, "") for row in ROWS))))


def test_repeated_headers_are_left_out_and_counted(tmp_path: Path) -> None:
    lines = table(",").splitlines()
    result = imported(tmp_path, "\n".join([*lines[:2], lines[0], *lines[2:], lines[0]]) + "\n")
    check_rows(result)
    assert any("2 repeated header" in note for note in result.report.notes)


def test_blank_lines_and_a_preamble_are_passed_over(tmp_path: Path) -> None:
    text = table(",")
    check_rows(imported(tmp_path, "# logged by hand\nSome, free text\n\n" + text.replace("0.5,", "\n0.5,")))


def test_the_separator_line_of_spreadsheets_is_honoured(tmp_path: Path) -> None:
    check_rows(imported(tmp_path, "sep=;\n" + table(";")))


def test_a_row_of_units_below_the_header(tmp_path: Path) -> None:
    result = imported(tmp_path, "time;vehicle_speed;engine_speed\ns;mph;rpm\n0;10;800\n1;20;900\n")
    assert result.values("vehicle_speed") == [16.09344, 32.18688]
    assert result.report.rows_read == 2


def test_compressed_tables(tmp_path: Path) -> None:
    check_rows(imported(tmp_path, gzip.compress(table(",").encode()), "log.csv.gz"))


def test_long_tables(tmp_path: Path) -> None:
    rows = "0,engine_speed,812.5\n0,COOLANT_TEMP,20\n0.5,engine_speed,1003.25\n0.5,coolant_temperature,21\n"
    result = imported(tmp_path, "time_s,signal,value\n" + rows)
    assert result.values("engine_speed") == [812.5, 1003.25]
    assert result.values("coolant_temperature") == [20.0]  # the second name of the same signal is said, not mixed in
    assert [column.header for column in result.report.ignored] == ["coolant_temperature"]


def test_long_tables_may_list_one_signal_after_the_other(tmp_path: Path) -> None:
    rows = "0,engine_speed,800\n1,engine_speed,900\n0,coolant_temperature,20\n1,coolant_temperature,21\n"
    result = imported(tmp_path, "time_s,signal,value\n" + rows)
    assert result.times("coolant_temperature") == [0.0, 1.0]


def test_long_tables_with_a_unit_column(tmp_path: Path) -> None:
    text = 'SECONDS;PID;VALUE;UNITS\n"0";"Vehicle speed";"10";"mph"\n"1";"Vehicle speed";"20";"mph"\n'
    assert imported(tmp_path, text).values("vehicle_speed") == [16.09344, 32.18688]


def test_long_tables_with_an_empty_unit_column(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,signal,value,unit\n0,engine_speed,800,\n1,engine_speed,810\n")
    assert result.values("engine_speed") == [800.0, 810.0]


@pytest.mark.parametrize("blank", ["", "-", "--", "N/A", "NaN", "null", "no data", "?"])
def test_what_means_no_value_is_a_gap_and_no_loss(tmp_path: Path, blank: str) -> None:
    result = imported(tmp_path, f"time_s,engine_speed\n0,800\n1,{blank}\n2,900\n")
    assert result.times("engine_speed") == [0.0, 2.0]
    assert result.report.dropped == ()


@pytest.mark.parametrize("cell", ["abc", "12 mph", "12 rpm 3", "0x20", "1_000", "1,5", "True", "12:30", "٣"])
def test_what_is_no_number_is_left_out_and_counted(tmp_path: Path, cell: str) -> None:
    result = imported(tmp_path, f'time_s,engine_speed\n0,800.5\n1,"{cell}"\n2,900.5\n')
    assert result.values("engine_speed") == [800.5, 900.5]
    assert result.dropped("no number") == 1
    assert result.report.dropped[0].first_line == 3


def test_numbers_may_carry_the_unit_of_their_column(tmp_path: Path) -> None:
    text = "TIMESTAMP;ENGINE_LOAD;Speed (mph);ENGINE_COOLANT_TEMP\n"
    result = imported(tmp_path, text + "1772349000000;33,3%;10 mph;80\n1772349001000;40%;20;81 °C\n")
    assert result.values("calculated_load") == [33.3, 40.0]
    assert result.values("vehicle_speed") == [16.09344, 32.18688]
    assert result.values("coolant_temperature") == [80.0, 81.0]


@pytest.mark.parametrize("cell", ["inf", "-inf", "Infinity", "1e999"])
def test_infinities_are_left_out_and_counted(tmp_path: Path, cell: str) -> None:
    result = imported(tmp_path, f"time_s,engine_speed\n0,800\n1,{cell}\n2,900\n")
    assert result.values("engine_speed") == [800.0, 900.0]
    assert result.dropped("infinite") == 1


def test_values_beyond_what_a_parameter_can_hold_are_left_out(tmp_path: Path) -> None:
    """SAE J1979 parameter 05 is one byte with offset -40: it ends at 215 degC."""
    result = imported(tmp_path, "time_s,coolant_temperature\n0,80\n1,4000\n2,-41.5\n3,-300\n4,81\n5,82\n6,215\n")
    assert result.values("coolant_temperature") == [80.0, -41.5, 81.0, 82.0, 215.0]
    assert result.dropped("outside") == 2


def test_a_column_mostly_out_of_range_is_ignored_with_the_reason(tmp_path: Path) -> None:
    text = "time_s,engine_speed,coolant_temperature\n0,800,353\n1,900,354\n2,900,355\n"
    result = imported(tmp_path, text)
    assert result.keys == {"engine_speed"}
    assert "another unit" in result.report.ignored[0].reason


def test_two_values_at_one_time_leave_the_first(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,engine_speed\n0,800\n1,900\n1,905\n2,910\n")
    assert result.values("engine_speed") == [800.0, 900.0, 910.0]
    assert result.dropped("same time") == 1


def test_unknown_columns_are_listed_and_harmless(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,engine_speed,Latitude,Mood\n0,800,48.1,good\n")
    assert [column.header for column in result.report.ignored] == ["Latitude", "Mood"]
    assert result.keys == {"engine_speed"}


def test_a_second_control_unit_keeps_its_address(tmp_path: Path) -> None:
    result = imported(tmp_path, "time_s,coolant_temperature,coolant_temperature@7e9\n0,80,82\n")
    assert result.values("coolant_temperature@7E9") == [82.0]


def test_rows_of_one_trip_can_be_chosen(tmp_path: Path) -> None:
    text = "Car,Trip,time_s,engine_speed\nA,1,0,800\nA,1,1,810\nA,2,0,900\nB,2,0,1000\nA,2,1,910\n"
    result = imported(tmp_path, text, options=ImportOptions(where={"car": "A", "Trip": "2.0"}))
    assert result.values("engine_speed") == [900.0, 910.0]


@pytest.mark.parametrize(
    ("where", "text"), [({"Mood": "1"}, "no column 'Mood'"), ({"Trip": "9"}, "no row with Trip=9")]
)
def test_a_choice_that_finds_nothing_says_so(tmp_path: Path, where: dict[str, str], text: str) -> None:
    with pytest.raises(ImportFileError, match=text):
        imported(tmp_path, "Trip,time_s,engine_speed\n1,0,800\n", options=ImportOptions(where=where))


def test_the_session_says_what_the_user_said(tmp_path: Path) -> None:
    start = datetime(2026, 3, 1, 8, 10, tzinfo=timezone(timedelta(hours=1)))
    options = ImportOptions(
        car_id="family-car", odometer_km=163800.0, soak_hours=9.0, started_at=start, note="cold start"
    )
    result = imported(tmp_path, table(","), options=options)
    session = result.contents.session
    assert session == result.report.session
    assert session.started_at == datetime(2026, 3, 1, 7, 10, tzinfo=UTC)
    assert (session.car_id, session.odometer_km, session.soak_hours) == ("family-car", 163800.0, 9.0)
    assert (session.origin, session.note) == ("imported", "cold start")
    assert session.id.startswith("2026-03-01T071000-family-car-")
    assert result.path.name == f"{session.id}.obdw"
    assert [mark.kind for mark in result.contents.marks] == [MarkKind.END]


def test_nothing_is_left_behind_by_an_import_that_fails(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError):
        imported(tmp_path, "time_s,engine_speed [furlongs]\n0,1\n")
    assert [path.name for path in tmp_path.rglob("*")] == ["log.csv"]


def test_progress_ends_at_the_whole_file(tmp_path: Path) -> None:
    heard: list[float] = []
    path = write(tmp_path, "time_s,engine_speed\n" + "".join(f"{t},{800 + t % 9}\n" for t in range(30_000)))
    import_file(path, tmp_path / "sessions", progress=heard.append)
    assert heard[-1] == 1.0
    assert heard == sorted(heard)
    assert len(heard) >= 2


def test_many_blocks_keep_order_and_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bad cell in a later block still names its line."""
    monkeypatch.setattr(csv_blocks, "ROWS_PER_BLOCK", 1000)
    rows = "".join(f"{t / 10},{800 + t % 7}\n" for t in range(2500))
    result = imported(tmp_path, "time_s,engine_speed\n" + rows + "250.0,bad\n250.1,801\n")
    assert result.report.rows_read == 2502
    assert result.report.dropped[0].first_line == 2502
    assert result.values("engine_speed") == [*(800 + t % 7 for t in range(2500)), 801]


def test_suffixes_are_one_table(tmp_path: Path) -> None:
    assert importer_for(tmp_path / "A.CSV.GZ") is IMPORTERS[".csv"]
    with pytest.raises(InputError, match=r"\.xlsx: has a suffix obdwatch cannot import; it knows \.csv"):
        importer_for(tmp_path / "a.xlsx")
