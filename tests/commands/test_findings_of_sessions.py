"""In the JSON of several sessions every finding says which one it is of."""

from __future__ import annotations

import json

import pytest

from obdwatch.analysis import Analysis
from obdwatch.commands.analyse import _document
from obdwatch.commands.options import print_json
from obdwatch.records import Finding, Session, Urgency, Verdict


def test_a_finding_names_its_session(capsys: pytest.CaptureFixture[str]) -> None:
    weak = Finding("charging", Verdict.FAULT, "undercharges", Urgency.SOON, 0.9, parts=("alternator",))
    sound = Finding("charging", Verdict.HEALTHY, confidence=0.9)
    analyses = [
        Analysis(Session(name, None), None, (finding,), ()) for name, finding in (("first", weak), ("second", sound))
    ]
    print_json(_document(analyses, {}, [], "metric"))
    document = json.loads(capsys.readouterr().out)
    assert [(one["session"], one["verdict"]) for one in document["findings"]] == [
        ("first", "fault"),
        ("second", "healthy"),
    ]
    assert [one["id"] for one in document["sessions"]] == ["first", "second"]
