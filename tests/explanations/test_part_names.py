"""Every part that a detector or a code points to has a name that a reader knows."""

from __future__ import annotations

import ast
from pathlib import Path

from obdwatch.explanations.explanation import CodeExplanation
from obdwatch.explanations.part_names import PART_NAMES

DETECTORS = Path(__file__).parents[2] / "obdwatch" / "detectors"


def test_there_are_25_parts_and_no_name_is_an_id() -> None:
    assert len(PART_NAMES) == 25
    assert not [name for name in PART_NAMES.values() if "_" in name]


def test_every_part_a_code_points_to_has_a_name(explained: list[CodeExplanation]) -> None:
    assert {cause.part for one in explained for cause in one.causes if cause.part} <= set(PART_NAMES)


def test_every_part_is_pointed_to_by_a_detector_or_has_no_sign_in_the_data() -> None:
    written = {
        node.value
        for path in DETECTORS.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    seen_by_eye_only = {"oil_filter_housing_gasket", "valve_cover_gasket"}
    assert set(PART_NAMES) - written == seen_by_eye_only


def test_at_least_300_codes_have_knowledge_of_their_own(explained: list[CodeExplanation]) -> None:
    assert sum(one.origin == "written" for one in explained) >= 300
