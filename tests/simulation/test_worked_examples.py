import doctest
from types import ModuleType

import pytest

from obdwatch.simulation import air_path, combustion, electrics, faults, identity, misfire


@pytest.mark.parametrize(
    "module", [air_path, combustion, electrics, faults, identity, misfire], ids=lambda module: module.__name__
)
def test_examples_in_the_docstrings_come_out(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
