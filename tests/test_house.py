"""The rules of the house that a reviewer would otherwise watch: who may import whom, and what must stay light."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "obdwatch"
BASE = {"records", "errors", "clock", "units", "urgency", "car_profiles", "part_ages"}

# Folder -> the folders of obdwatch it may import, besides itself and BASE. The order is that of the data.
ALLOWED: dict[str, set[str]] = {
    "decoding": set(),
    "physics": set(),
    "simulation": {"decoding"},
    "adapters": {"decoding", "simulation"},
    "recording": {"decoding", "adapters"},
    "signals": {"decoding", "recording"},
    "detectors": {"decoding", "signals", "physics"},
    "curves": {"decoding", "signals", "physics", "detectors"},
    "explanations": {"decoding", "signals"},
    "logbook": {"decoding", "recording", "signals"},
    "parts": {"physics", "explanations"},
    "comparing": {"decoding", "signals", "physics", "detectors", "explanations"},
    "planning": {"physics", "explanations", "parts"},
    "reporting": {
        *("decoding", "physics", "recording", "signals", "detectors", "explanations", "logbook", "parts", "comparing"),
        *("planning", "car_risks", "driven_drives"),
    },
}
FRONT = {"commands"}  # what a user types; may import everything, and nobody imports it but cli.py
HEAVY = {"obd", "pandas", "scipy", "plotly", "dash", "pyarrow", "asammdf", "matplotlib", "flask"}


def modules() -> Iterator[Path]:
    yield from (p for p in PACKAGE.rglob("*.py") if "__pycache__" not in p.parts)


def imports_of(path: Path) -> set[str]:
    """Every dotted name that a module imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {node.module or ""} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def folder_of(path: Path) -> str | None:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else None


@pytest.mark.parametrize("folder", sorted(ALLOWED))
def test_folder_imports_only_towards_the_start_of_the_data_path(folder: str) -> None:
    allowed = ALLOWED[folder] | BASE | {folder, "__version__"}
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules()
        if folder_of(path) == folder
        for name in sorted(imports_of(path))
        if name.startswith("obdwatch.") and name.split(".")[1] not in allowed
    ]
    assert wrong == []


def test_every_folder_has_a_place_in_the_table() -> None:
    folders = {p.name for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders - FRONT == set(ALLOWED)


def test_the_package_never_imports_the_dashboards_except_to_start_them() -> None:
    users = {p.name for p in modules() if any(n.split(".")[0] == "dashboards" for n in imports_of(p))}
    assert users <= {"dashboard.py"}


def test_nobody_imports_the_commands_but_the_command_line() -> None:
    users = {p for p in modules() if any(n.startswith("obdwatch.commands") for n in imports_of(p))}
    assert all(p.name == "cli.py" or folder_of(p) in FRONT for p in users)


def test_only_the_link_imports_python_obd() -> None:
    users = [p for p in modules() if any(n.split(".")[0] == "obd" for n in imports_of(p))]
    assert users, "somebody must use python-OBD"
    assert all(p.is_relative_to(PACKAGE / "adapters" / "elm327") for p in users)


def test_only_the_link_and_the_virtual_adapter_touch_ports() -> None:
    users = [p for p in modules() if any(n.split(".")[0] == "serial" for n in imports_of(p))]
    assert all(p.is_relative_to(PACKAGE / "adapters") for p in users)


def test_sql_lives_only_in_the_session_file_and_the_logbook() -> None:
    users = {p for p in modules() if any(n.split(".")[0] == "sqlite3" for n in imports_of(p))}
    assert all(
        p.is_relative_to(PACKAGE / "logbook") or p.is_relative_to(PACKAGE / "recording" / "session_file") for p in users
    )


def test_detectors_and_simulation_share_only_records_and_decoding() -> None:
    for path in modules():
        if folder_of(path) in {"detectors", "physics", "explanations", "signals"}:
            assert not any(n.startswith("obdwatch.simulation") for n in imports_of(path)), path
        if folder_of(path) == "simulation":
            for forbidden in ("obdwatch.detectors", "obdwatch.physics", "obdwatch.signals"):
                assert not any(n.startswith(forbidden) for n in imports_of(path)), path


@pytest.mark.parametrize("command", [["--help"], ["record", "--help"], ["codes", "P0171", "P0300", "--json"]])
def test_help_stays_light(command: list[str]) -> None:
    program = (
        "import sys\n"
        "from obdwatch.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print(sorted({m.split('.')[0] for m in sys.modules}), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", program, *command], capture_output=True, text=True, check=True)
    loaded = set(ast.literal_eval(done.stderr.strip().splitlines()[-1]))
    assert loaded & HEAVY == set()


def test_no_file_outgrows_its_room() -> None:
    long = {
        str(p.relative_to(ROOT)): n
        for folder in ("obdwatch", "dashboards")
        for p in (ROOT / folder).rglob("*.py")
        if (n := len(p.read_text("utf-8").splitlines())) > 500
    }
    assert long == {}
