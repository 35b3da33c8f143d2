"""Whatever is handed in as a table: one clear line, and no value that was not in it."""

from __future__ import annotations

import gzip
import os
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from obdwatch.errors import ImportFileError, InputError, ObdwatchError
from obdwatch.recording.importers import ImportOptions, import_file
from obdwatch.recording.importing import text as text_module
from obdwatch.recording.session_file import read_session
from tests.recording.tables import imported, write

GOOD = "time_s,engine_speed\n0,800\n1,900\n"


def refused(folder: Path, data: str | bytes, name: str = "log.csv") -> str:
    with pytest.raises(InputError) as caught:
        imported(folder, data, name)
    message = str(caught.value)
    assert message.startswith(str(folder / name))
    assert "\n" not in message
    assert not list(folder.rglob("*.obdw"))
    assert not list(folder.rglob(".*"))
    return message


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ImportFileError, match=r"none\.csv: no such file"):
        import_file(tmp_path / "none.csv", tmp_path / "out")


def test_a_folder(tmp_path: Path) -> None:
    (tmp_path / "log.csv").mkdir()
    for path in (tmp_path / "log.csv", tmp_path):
        with pytest.raises(ImportFileError, match="is a folder; name one file in it"):
            import_file(path, tmp_path / "out")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD)
    path.chmod(0)
    with pytest.raises(ImportFileError, match="no permission"):
        import_file(path, tmp_path / "out")


def test_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "log.csv")
    with pytest.raises(ImportFileError, match="is not a regular file"):
        import_file(tmp_path / "log.csv", tmp_path / "out")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("", "is empty"),
        ("\n \n\n", "holds no table, only blank lines"),
        ("time_s,engine_speed\n", "has a header but no rows"),
        ("time_s,engine_speed\n\n\n", "has a header but no rows"),
        ("time_s,engine_speed\n,,\n", "a header but no rows"),
        ("Dear diary, today I drove\nhome, slowly\n", "no column has a name obdwatch knows (found 'Dear diary'"),
        ("hello\nworld\n", "holds no table: no line has several columns"),
        ("item,price\ntea,2.5\n", "no column has a name obdwatch knows (found 'item', 'price')"),
        ("1,2,3\n4,5,6\n", "no column has a name obdwatch knows"),
        ("time_s,mood\n0,good\n", "no column has a name obdwatch knows"),
        ("engine_speed,vehicle_speed\n800,30\n", "has no time column"),
        ("time_s,engine_speed\n0,fast\n1,faster\n", "has no usable column ('engine_speed': holds no number"),
        ("time_s,engine_speed\n0,\n1,\n", "has no usable column ('engine_speed': holds no number"),
        ("time_s,engine_speed\n0,inf\n", "has no usable column"),
        ("time_s,engine_speed\nsoon,800\nlater,900\n", "times like 'soon' are not understood"),
        ("time_s,engine_speed\n,800\n", "the time column is empty"),
        ("time_s,engine_speed\n0,800\n1,900,7\n", "line 3: a row has 3 fields where the header has 2"),
        ("time_s,engine_speed\n0,800\n1,9,0,0,5\n", "line 3: a row has 5 fields where the header has 2"),
        ("time_s,engine_speed\n0,800,,5\n", "line 2: a row has more fields where the header has 2"),
        ("time_s,engine_speed,\n0,0,0,0,0\n1,0\n", "line 2: a row has more fields where the header has 2"),
        ("time_s,engine_speed\n0,1,5\n", "line 2: a row has 3 fields"),  # a decimal comma between commas
        ("time_s,signal,value\n0,mood,5\n", "has no usable column ('mood': no signal obdwatch knows)"),
        ('time_s,engine_speed\n0,"800\n1,900\n2,950\n', "quote"),
        (b"\x7fELF\x02\x01\x01\x00\x00\x00", "line 1: is not a text table (it holds binary data)"),
        (GOOD.encode() + b"2,\x0095\n", "line 4: is not a text table (it holds binary data)"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "is not a text table"),
        (b"SQLite format 3\0" + bytes(200), "is not a text table"),
    ],
)
def test_what_is_no_table_says_so(tmp_path: Path, data: str | bytes, message: str) -> None:
    assert message in refused(tmp_path, data)


def test_a_damaged_archive(tmp_path: Path) -> None:
    whole = gzip.compress((GOOD * 500).encode())
    assert "cannot be read to its end" in refused(tmp_path, whole[: len(whole) // 2], "log.csv.gz")
    assert "cannot be read to its end" in refused(tmp_path, whole[:-4] + b"oops", "log.csv.gz")


def test_a_single_huge_field(tmp_path: Path) -> None:
    assert "longer than" in refused(tmp_path, "time_s,engine_speed\n0," + "9" * (text_module.LONGEST_LINE + 10) + "\n")


def test_a_large_field_is_no_number_and_no_harm(tmp_path: Path) -> None:
    result = imported(tmp_path, f"time_s,engine_speed\n0,800\n1,{'9' * 5000}\n2,900\n")
    assert result.values("engine_speed") == [800.0, 900.0]


def test_an_archive_that_unpacks_without_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_module, "LARGEST_TABLE", 1 << 20)
    assert "unpacks to more than" in refused(tmp_path, gzip.compress(b"0" * (3 << 20)), "log.csv.gz")


def test_a_cut_off_last_line_is_no_value(tmp_path: Path) -> None:
    """The logger was switched off while writing `1500`: the 15 that is left was never measured."""
    result = imported(tmp_path, "time_s,coolant_temperature,engine_speed\n0,80,1400\n1,80,1450\n2,8")
    assert result.values("coolant_temperature") == [80.0, 80.0]
    assert any("last line" in note for note in result.report.notes)


def test_another_table_behind_the_first(tmp_path: Path) -> None:
    text = "time_s,engine_speed,vehicle_speed\n0,800,10\ntime_s,vehicle_speed,engine_speed\n1,11,810\n"
    assert "line 3: another header begins here" in refused(tmp_path, text)


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file", "utf-8")
    with pytest.raises(ObdwatchError, match="cannot be created"):
        import_file(write(tmp_path, GOOD), tmp_path / "out")


@pytest.mark.parametrize(
    ("name", "message"), [("a.parquet", "is no readable Parquet file"), ("a.mf4", "is no MDF file")]
)
@pytest.mark.parametrize("data", [b"PAR1 nonsense", GOOD.encode(), bytes(5000)])
def test_other_formats_in_name_only(tmp_path: Path, name: str, message: str, data: bytes) -> None:
    assert message in refused(tmp_path, data, name)


def test_a_damaged_mdf(tmp_path: Path) -> None:
    pytest.importorskip("asammdf")
    assert "MDF" in refused(tmp_path, b"MDF     4.10    obdwatch" + bytes(400), "a.mf4")


# Fuzzing: no exception but ours, and no number that does not stand in the text.

CELLS = st.one_of(
    st.integers(-50, 20000).map(str),
    st.floats(-1e4, 1e5, allow_nan=False).map(lambda v: f"{v:.3f}"),
    st.sampled_from(
        [
            "",
            "-",
            "nan",
            "inf",
            "1e999",
            "N/A",
            "1,5",
            "1.500,2",
            "12:30:00",
            '"',
            '"x"',
            "0x10",
            "True",
            "\t",
            "é",
            "1 2",
        ]
    ),
    st.text(max_size=8),
)
HEADERS = st.sampled_from(
    ["time_s", "Time", "engine_speed", "Speed (mph)", "Coolant Temp [°F]", "signal", "value", "MAF", "VehId", "",
     "unit", "Timestamp(ms)", "Date", "RPM [furlongs]", "coolant_temperature@7E9"]
)  # fmt: skip


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    separator = draw(st.sampled_from([",", ";", "\t", "|"]))
    header = draw(st.lists(HEADERS, min_size=1, max_size=5))
    first = draw(st.sampled_from(["time_s", "Time", "Timestamp(ms)"]))
    header = [first, *header] if draw(st.booleans()) else header
    rows = draw(st.lists(st.lists(CELLS, min_size=1, max_size=len(header) + 1), max_size=12))
    steps = draw(st.booleans())
    lines = [separator.join(header)]
    lines += [separator.join([str(n), *row[1:]] if steps else row) for n, row in enumerate(rows)]
    data = draw(st.sampled_from(["\n", "\r\n"])).join(lines).encode(draw(st.sampled_from(["utf-8", "utf-16"])))
    return data[: draw(st.integers(0, len(data)))] if draw(st.integers(0, 9)) == 0 else data


def numbers_in(data: bytes) -> set[float]:
    text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8", "replace")
    found = set()
    for sign in (r"\.", "[.,]"):  # a comma may be a decimal sign or part the cells
        for number in re.findall(rf"[+-]?(?:\d+(?:{sign}\d*)?|{sign}\d+)(?:[eE][+-]?\d+)?", text):
            value = float(number.replace(",", "."))
            found |= {round(value, 6), round(value * 1.609344, 6), round((value - 32) / 1.8, 6)}
    return found


def check_message(text: str) -> None:
    assert text
    assert "\n" not in text


def check_no_invention(folder: Path, data: bytes) -> None:
    path = write(folder, data)
    try:
        session, _ = import_file(path, folder / "out", ImportOptions())
    except ObdwatchError as error:
        check_message(str(error))
        return
    known = numbers_in(data)
    contents = read_session(session)
    session.unlink()
    assert contents.samples
    for times, values in contents.samples.values():
        assert (times[1:] > times[:-1]).all()
        assert {round(float(value), 6) for value in values} <= known


FUZZ = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]}


@settings(max_examples=150, **FUZZ)
@given(data=tables())
def test_odd_tables_raise_nothing_else_and_invent_nothing(tmp_path: Path, data: bytes) -> None:
    check_no_invention(tmp_path, data)


@settings(max_examples=100, **FUZZ)
@given(data=st.binary(max_size=200))
def test_odd_bytes_raise_nothing_else(tmp_path: Path, data: bytes) -> None:
    check_no_invention(tmp_path, data)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@settings(max_examples=20_000, **FUZZ)
@given(data=st.one_of(tables(), st.binary(max_size=300)))
def test_many_odd_tables(tmp_path: Path, data: bytes) -> None:
    check_no_invention(tmp_path, data)
