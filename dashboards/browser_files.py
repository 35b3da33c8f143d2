"""The files that a browser keeps, and those it reads before a page asks for them.

A browser asks again for every file whose answer does not say how long it holds. Dash says so for the files of its
packages; here for our own, whose addresses change with their content.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

from dash.fingerprint import build_fingerprint
from flask import Flask, Response, request

ASSETS = "/assets/"
LONG = 31_536_000  # s, a year: what Dash says of the files of packages
# What a page with pictures needs besides, in the order of its use: Dash's part for them, and Plotly (package, file).
PICTURE_FILES = (("dash", "dcc/async-graph.js"), ("plotly", "package_data/plotly.min.js"))


def picture_addresses(prefix: str) -> tuple[str, ...]:
    """The addresses of what draws pictures; each changes with its version, so that a browser may keep the file."""
    return tuple(
        f"{prefix}_dash-component-suites/{package}/{_with_version(package, file)}" for package, file in PICTURE_FILES
    )


def _with_version(package: str, file: str) -> str:
    module = import_module(package)
    folder = Path(str(module.__file__)).parent
    changed = int((folder / file).stat().st_mtime)
    return str(build_fingerprint(file, module.__version__, changed))  # type: ignore[no-untyped-call]


def connect_files(server: Flask, folder: Path) -> None:
    """Let browsers keep the files of our own `folder` for as long as these are what the address says they are."""

    @server.after_request
    def keep(response: Response) -> Response:
        name = request.path.removeprefix(ASSETS)
        if name != request.path and response.status_code in (200, 304) and _is_current(folder / name):
            response.cache_control.no_cache = None
            response.cache_control.max_age = LONG
        return response


def _is_current(path: Path) -> bool:
    """Whether the time of change in the address is that of the file, which Dash has already found and served."""
    return request.args.get("m", "") == str(path.stat().st_mtime)
