"""All codes explained, once for all tests that read them."""

from __future__ import annotations

import pytest

from obdwatch.explanations.code_table import all_facts
from obdwatch.explanations.codes import explain
from obdwatch.explanations.compose import composed
from obdwatch.explanations.explanation import CodeExplanation


@pytest.fixture(scope="session")
def explained() -> list[CodeExplanation]:
    """Every code of the table, as the user reads it."""
    return [explain(facts.code) for facts in all_facts()]


@pytest.fixture(scope="session")
def all_composed() -> list[CodeExplanation]:
    """The composed explanation of every code, also of those for which knowledge is written."""
    return [composed(facts) for facts in all_facts() if facts.component]
