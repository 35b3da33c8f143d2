"""What `analyse` says of parts: few, in plain words, with reasons and what would decide."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from obdwatch.car_profiles import PART_IDS
from obdwatch.cli import main
from obdwatch.commands.part_lines import SHOWN, part_lines
from obdwatch.parts.risk import assess
from obdwatch.parts.risk_words import percent
from obdwatch.records import Evidence, PartRisk
from tests.parts.examples import example_catalogue

STORY = Path(__file__).parents[2] / "recorded_sessions"


def a_risk(part: str = "ignition_coil", prior: float = 0.1, degraded: float = 0.9, **fields: object) -> PartRisk:
    reasons = (
        Evidence(part, 40.0, "Drive of 2026-03-01: cylinder 3 misfires.", "finding:s1:misfire"),
        Evidence(part, 0.5, "Drive of 2026-02-01: it did not.", "finding:s0:misfire"),
    )
    within = {1_000: 0.1, 5_000: 0.4, 10_000: 0.6}
    known = {"since_new_km": 90_000.0, "age_known": True, "reasons": reasons, "decided_by": "Swap the coils."} | fields
    return PartRisk(part, prior, degraded, within, **known)  # type: ignore[arg-type]


def test_a_worn_part_is_told_with_reasons_for_and_against_and_what_decides() -> None:
    lines = part_lines([a_risk()], "us")
    assert lines[0].startswith("Parts, the most urgent first;")
    assert "Ignition coil: 90% likely to be at fault (10% by distance alone)" in lines[1]
    assert "within 1,000 miles: 10%; within 5,000 miles: 40%" in lines[1]
    assert lines[2:] == [
        "    For: Drive of 2026-03-01: cylinder 3 misfires.",
        "    Against: Drive of 2026-02-01: it did not.",
        "    What would decide: Swap the coils.",
    ]
    assert "within 1,600 km" in part_lines([a_risk()], "metric")[1]


def test_what_only_distance_says_is_one_line() -> None:
    lines = part_lines([a_risk("spark_plugs", 0.8, 0.8, reasons=()), a_risk("battery", 0.1, 0.02)], "us")
    assert lines == [
        "Parts: nothing that was seen points to a worn one.",
        "  Not seen, but likely worn by the distance alone: spark plugs (80%).",
    ]


def test_a_part_that_seldom_fails_is_told_where_everything_points_to_it() -> None:
    told = part_lines([a_risk("head_gasket", 0.015, 0.16)], "us")  # odds 12.5 times those by distance alone
    assert "Head gasket: 16% likely" in told[1]
    assert "    What would decide: Swap the coils." in told
    for prior, degraded in ((0.015, 0.1), (0.001, 0.02)):  # evidence that is not strong; a part that is hardly likely
        assert len(part_lines([a_risk("head_gasket", prior, degraded)], "us")) == 1


def test_few_parts_are_told_at_length_unless_all_are_asked_for() -> None:
    risks = [a_risk(part) for part in PART_IDS[: SHOWN + 2]]
    assert sum(line.startswith("    What would decide") for line in part_lines(risks, "us")) == SHOWN
    assert "Also suspected: " in "\n".join(part_lines(risks, "us"))
    assert sum(line.startswith("    What would decide") for line in part_lines(risks, "us", full=True)) == SHOWN + 2


def test_what_is_assumed_is_said() -> None:
    unknown = part_lines(assess(example_catalogue(), None, None), "us")
    assert any(
        "No odometer reading is known: every part is taken to have run 100,000 miles" in line for line in unknown
    )
    without_age = part_lines([a_risk(age_known=False)], "us")
    assert any("as old as the car" in line for line in without_age)
    assert not any("as old as the car" in line for line in part_lines([a_risk()], "us"))


@pytest.mark.parametrize(("probability", "words"), [(1.0, "over 99%"), (0.0, "under 1%"), (0.5, "50%"), (0.99, "99%")])
def test_nothing_is_certain(probability: float, words: str) -> None:
    assert percent(probability) == words


def test_analyse_gives_every_part_in_json_and_the_important_ones_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = sorted(STORY.glob("*.obdw"))
    if not files:
        pytest.skip("the recorded sessions are not there")
    where = [str(files[-1]), "--logbook", str(tmp_path / "book")]
    with pytest.raises(SystemExit) as end:
        main(["analyse", *where, "--json"])
    assert end.value.code == 0
    parts = json.loads(capsys.readouterr().out)["parts"]
    assert {"car", "part", "prior", "degraded", "failure_within_miles", "reasons", "decided_by"} <= set(parts[0])
    assert set(parts[0]["failure_within_miles"]) == {"1000", "5000", "10000"}
    assert {one["part"] for one in parts} <= set(PART_IDS)
    assert len(parts) > 15
    assert any(one["reasons"] for one in parts)
    with pytest.raises(SystemExit):
        main(["analyse", *where, "--units", "us"])
    assert "\nParts" in capsys.readouterr().out


def test_codes_are_read_without_decoding_the_whole_drive() -> None:
    from obdwatch.car_risks import codes_of
    from obdwatch.signals.drives import load_drive

    with_codes = [path for path in sorted(STORY.glob("*.obdw")) if codes_of(path)][:1]
    if not with_codes:
        pytest.skip("no recorded session holds a code")
    assert codes_of(with_codes[0]) == load_drive(with_codes[0]).codes


def test_a_session_file_that_is_none_has_no_codes(tmp_path: Path) -> None:
    from obdwatch.car_risks import codes_of

    path = tmp_path / "broken.obdw"
    path.write_text("nothing of the kind")
    assert codes_of(path) is None
    assert codes_of(tmp_path / "gone.obdw") is None


@pytest.mark.parametrize("path", sorted(STORY.glob("*.obdw"))[:3], ids=lambda path: path.stem)
def test_exchanges_of_some_services_are_those_of_the_whole_file(path: Path) -> None:
    from obdwatch.car_risks import CODE_SERVICES
    from obdwatch.recording.session_file.reader import read_services, read_session

    whole, some = read_session(path), read_services(path, CODE_SERVICES)
    rows = [row for row, request in enumerate(whole.request) if request[:1] in CODE_SERVICES]
    assert rows
    assert list(some.t) == list(whole.t[rows])
    assert some.payload == [whole.payload[row] for row in rows]
    assert some.session == whole.session
