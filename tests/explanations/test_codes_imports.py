"""Reading a code pulls in no heavy library, so that it costs next to nothing at a cold start."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import sys
from obdwatch.explanations.codes import explain
explain("P0171"), explain("P0300"), explain("P0751")
heavy = {"numpy", "scipy", "pandas", "obd", "plotly", "dash", "matplotlib"} & set(sys.modules)
print(",".join(sorted(heavy)))
"""


def test_no_heavy_library_is_loaded() -> None:
    run = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
