"""What a page may change, and files out of and into the dashboard: with a real logbook, without a browser."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboards import arrival_reading
from dashboards.app import create_app, show_page
from dashboards.arrival_reading import Refused
from dashboards.arrivals import MOST_WAITING, Arrivals
from dashboards.keeping import Correction, correction_from
from dashboards.sessions import SessionShelf
from obdwatch.errors import InputError, LogbookError
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import read_header
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_pages import text, visit
from tests.dashboards.test_with_the_logbook import written

TABLE = b"time_s,rpm,Temp\n0,800,20\n1,810,21\n2,820,22\n"
MARKUP = "<img src=x onerror=alert(1)>.csv"


@pytest.fixture
def logbook(tmp_path: Path) -> Logbook:
    made = Logbook(tmp_path / "logbook")
    made.add_car(CAR)
    made.add_session(written(made.sessions_folder, session("morning")))
    return made


@pytest.fixture
def client(logbook: Logbook) -> FlaskClient:
    return create_app(logbook).server.test_client()


def test_odometer_is_read_in_the_readers_unit() -> None:
    assert correction_from({"odometer": "171 930"}, "metric").odometer_km == 171_930.0
    assert correction_from({"odometer": "100,000"}, "us").odometer_km == pytest.approx(160_934.4)  # international mile
    assert correction_from({"odometer": " ", "soak": None}, "metric") == Correction(None, None, None, None)


@pytest.mark.parametrize("odometer", ["12x", "-1", "nan", "inf", "9e99", [1], {"a": 1}])
def test_what_is_no_odometer_is_refused_with_one_line(odometer: object) -> None:
    with pytest.raises(InputError, match=r"^The odometer must"):
        correction_from({"odometer": odometer}, "metric")


def test_a_note_without_end_is_refused() -> None:
    with pytest.raises(InputError, match="too long"):
        correction_from({"note": "x" * 3000}, "metric")


def test_correction_removal_and_putting_back(logbook: Logbook) -> None:
    shelf = SessionShelf(logbook)
    shelf.correct("morning", correction_from({"note": "to the sea", "odometer": "172000", "car": "blue"}, "metric"))
    assert shelf.session("morning").note == "to the sea"
    shelf.remove("morning")
    with pytest.raises(LogbookError):
        shelf.session("morning")
    shown = text(show_page(shelf, visit("/drives")).children)
    assert "Removed drives" in shown
    assert "morning" in shown
    assert shelf.restore("morning").note == "to the sea"
    assert shelf.removed() == ()


def test_page_of_the_details_shows_what_is_known(logbook: Logbook) -> None:
    shown = show_page(SessionShelf(logbook), visit("/drives/morning")).children
    assert "Odometer at the start, km" in text(shown)
    assert "Odometer at the start, miles" in text(
        show_page(SessionShelf(logbook), visit("/drives/morning", units="us")).children
    )
    assert "no drive with that address" in text(show_page(SessionShelf(logbook), visit("/drives/other")).children)


@pytest.mark.parametrize(("form", "begin"), [("csv", b"time_s,signal,value"), ("obdw", b"SQLite format 3")])
def test_a_drive_is_downloaded_by_its_address(client: FlaskClient, form: str, begin: bytes) -> None:
    answer = client.get(f"/export/morning?form={form}")
    assert answer.status_code == 200
    assert answer.data.startswith(begin)
    assert answer.headers["Content-Disposition"].startswith("attachment; filename=morning.")


def test_a_redacted_download_names_nothing(client: FlaskClient) -> None:
    answer = client.get("/export/morning?form=obdw&redacted=yes")
    assert answer.headers["Content-Disposition"] == "attachment; filename=drive.obdw"
    assert b"171930" not in answer.data
    assert CAR.id.encode() not in answer.data


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/export/morning?form=exe", 404),
        ("/export/morning", 404),
        ("/export/unknown?form=csv", 422),
        ("/export/..%2F..%2Fetc%2Fpasswd?form=csv", 422),
    ],
)
def test_what_is_no_export_is_refused(client: FlaskClient, address: str, status: int) -> None:
    assert client.get(address).status_code == status


def test_a_table_is_handed_in_previewed_and_kept(client: FlaskClient, logbook: Logbook) -> None:
    shelf, arrivals = SessionShelf(logbook), Arrivals()
    number = arrivals.take("drive.CSV", io.BytesIO(TABLE))
    first = arrivals.preview(number, {})
    assert [(s["header"], s["key"]) for s in first.report["signals"]] == [("rpm", "engine_speed")]
    assert [i["header"] for i in first.report["ignored"]] == ["Temp"]
    again = arrivals.preview(number, {"Temp": "coolant_temperature", "rpm": None})
    assert [(s["header"], s["key"], s["count"]) for s in again.report["signals"]] == [
        ("Temp", "coolant_temperature", 3)
    ]
    kept = shelf.take_in(again.session_file)
    arrivals.kept(number)
    assert logbook.path_of(kept.id).parent == logbook.sessions_folder
    assert shelf.open(kept.id).traces.keys() == {"coolant_temperature"}
    with pytest.raises(InputError, match="no longer here"):
        arrivals.preview(number, {})


def test_a_recording_is_taken_in_once(logbook: Logbook, tmp_path: Path) -> None:
    shelf, arrivals = SessionShelf(logbook), Arrivals()
    other = written(tmp_path, session("evening", 22))
    number = arrivals.take("evening.obdw", io.BytesIO(other.read_bytes()))
    assert shelf.take_in(arrivals.preview(number, {}).session_file).id == "evening"
    number = arrivals.take("evening.obdw", io.BytesIO(other.read_bytes()))
    with pytest.raises(LogbookError, match="already"):
        shelf.take_in(arrivals.preview(number, {}).session_file)
    assert read_header(logbook.path_of("evening")).id == "evening"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("noise.csv", bytes(range(256)) * 500),
        ("bomb.csv.gz", gzip.compress(b"a" * 5_000_000)),
        ("not.obdw", b"SQLite format 3\x00 but no more"),
        ("short.parquet", b"PAR1"),
        (MARKUP, b"a,b\n1\n2,3,4,5\n"),
    ],
)
def test_a_file_that_cannot_be_read_gives_one_line_with_its_own_name(
    logbook: Logbook, name: str, content: bytes
) -> None:
    arrivals = Arrivals()
    number = arrivals.take(name, io.BytesIO(content))
    with pytest.raises(Exception, match=r".") as told:
        SessionShelf(logbook).take_in(arrivals.preview(number, {}).session_file)
    assert "\n" not in str(told.value)
    assert "Traceback" not in str(told.value)
    assert [one.id for one in logbook.sessions()] == ["morning"]


@pytest.mark.parametrize(
    ("name", "content", "line"),
    [
        ("sheet.csv", b"PK\x03\x04" + bytes(60), "packed archive (zip) or a spreadsheet, not a table: unpack it"),
        ("empty.csv", b"time_s,rpm\n", "has a header but no rows: nothing was recorded in it"),
    ],
)
def test_where_no_choice_of_columns_helps_none_is_offered(name: str, content: bytes, line: str) -> None:
    arrivals = Arrivals()
    with pytest.raises(Refused) as told:
        arrivals.preview(arrivals.take(name, io.BytesIO(content)), {})
    assert str(told.value).startswith(f"{name} ")
    assert line in str(told.value)


def test_headers_of_any_letters_can_be_chosen() -> None:
    arrivals = Arrivals()
    header = 'Wasser "Temp" [\u00b0C] \\ \x7f'
    quoted = header.replace('"', '""')
    number = arrivals.take("t.csv", io.BytesIO(f'time_s,rpm,"{quoted}"\n0,800,20\n1,810,21\n'.encode()))
    (ignored,) = arrivals.preview(number, {}).report["ignored"]
    report = arrivals.preview(number, {ignored["header"]: "coolant_temperature"}).report
    assert {s["key"] for s in report["signals"]} == {"engine_speed", "coolant_temperature"}


def test_a_column_with_a_name_of_its_own_can_be_the_time() -> None:
    arrivals = Arrivals()
    number = arrivals.take("shed.csv", io.BytesIO(b"Tick;Drehz\n0;800\n1;810\n"))
    first = arrivals.preview(number, {})
    assert first.headers == ("Tick", "Drehz")
    assert first.problem.startswith("shed.csv: no column has a name obdwatch knows")
    again = arrivals.preview(number, {"Tick": "time", "Drehz": "engine_speed"})
    assert [(s["header"], s["count"]) for s in again.report["signals"]] == [("Drehz", 2)]


def test_what_a_packed_table_unpacks_to_is_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrival_reading, "LARGEST", 3_000_000)
    arrivals = Arrivals()
    number = arrivals.take("bomb.csv", io.BytesIO(gzip.compress(b"\0" * 4_000_000)))  # packed, whatever its name says
    with pytest.raises(InputError, match=r"^bomb\.csv unpacks to more than 3 MB"):
        arrivals.preview(number, {})


def test_memory_of_the_process_that_reads_is_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit is too low for the tables library itself, so that what happens is what a file that swells would do."""
    pytest.importorskip("resource", reason="this system knows no limits")
    monkeypatch.setattr(arrival_reading, "MOST_MEMORY", 200_000_000)
    arrivals = Arrivals()
    number = arrivals.take("a.csv", io.BytesIO(TABLE))
    with pytest.raises(InputError, match=r"^a\.csv needs more memory than a file may take here"):
        arrivals.preview(number, {})


def test_a_recording_that_broke_off_says_so_before_it_is_kept(tmp_path: Path) -> None:
    whole = written(tmp_path, session("evening", 22)).read_bytes()
    arrivals = Arrivals()
    told = arrivals.preview(arrivals.take("a.obdw", io.BytesIO(whole)), {})
    assert told.session is not None
    assert (told.session.id, told.remarks) == ("evening", ())
    (remark,) = arrivals.preview(arrivals.take("b.obdw", io.BytesIO(whole[:-5000])), {}).remarks
    assert "its end is missing" in remark
    with pytest.raises(InputError, match=r"^c\.obdw"):
        arrivals.preview(arrivals.take("c.obdw", io.BytesIO(whole[:50])), {})


def test_stopping_forgets_a_file_and_ends_its_reading(client: FlaskClient) -> None:
    arrivals = Arrivals()
    number = arrivals.take("a.csv", io.BytesIO(TABLE))
    reading = arrivals._arrival(number).reading
    reading.stop()
    with pytest.raises(InputError, match="Nothing was kept"):
        arrivals.preview(number, {})
    assert list(arrivals.folder.iterdir()) == []
    assert client.post("/arrivals/unknown/stop").status_code == 200


def test_reading_that_takes_too_long_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrival_reading, "TIME_TO_READ", 0.01)
    arrivals = Arrivals()
    number = arrivals.take("slow.csv", io.BytesIO(TABLE))
    with pytest.raises(InputError, match=r"Reading slow\.csv takes too long"):
        arrivals.preview(number, {})


@pytest.mark.parametrize(("name", "content"), [("a.exe", b"x"), ("", b"x"), ("a.csv", b""), ("a.csv/../b", b"x")])
def test_what_is_no_table_is_refused_at_the_door(client: FlaskClient, name: str, content: bytes) -> None:
    answer = client.post("/arrivals", query_string={"name": name}, data=content)
    assert answer.json is not None
    assert answer.json.keys() == {"problem"}


def test_a_file_larger_than_allowed_leaves_nothing_behind() -> None:
    arrivals = Arrivals()
    with pytest.raises(InputError, match="larger than"):
        arrivals.take("big.csv", io.BytesIO(b"x" * 3_000_000), most=2_000_000)
    assert list(arrivals.folder.iterdir()) == []


def test_only_a_few_files_wait() -> None:
    arrivals = Arrivals()
    numbers = [arrivals.take("a.csv", io.BytesIO(TABLE)) for _ in range(MOST_WAITING + 2)]
    with pytest.raises(InputError, match="no longer here"):
        arrivals.preview(numbers[0], {})
    assert len(list(arrivals.folder.iterdir())) == MOST_WAITING


def test_another_site_may_not_hand_in(client: FlaskClient) -> None:
    answer = client.post("/arrivals?name=a.csv", data=TABLE, headers={"Origin": "https://elsewhere.example"})
    assert answer.status_code == 403


def test_other_addresses_still_refuse_more_than_a_megabyte(client: FlaskClient) -> None:
    answer = client.post("/_dash-update-component", data=b"x" * 1_500_000, content_type="application/json")
    assert answer.status_code == 413
