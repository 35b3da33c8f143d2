"""Which files a browser may keep: those whose address changes with their content (RFC 9111, 4.2.1: max-age)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

import dashboards
from dashboards.app import create_app
from tests.dashboards.samples import FakeLogbook

STYLE = Path(dashboards.__file__).parent / "assets" / "style.css"


@pytest.fixture
def client(tmp_path: Path) -> FlaskClient:
    return create_app(FakeLogbook(tmp_path)).server.test_client()


def max_age(client: FlaskClient, address: str) -> int | None:
    with client.get(address, headers={"Host": "127.0.0.1"}) as answer:
        assert answer.status_code == 200, address
        return None if answer.cache_control.no_cache else answer.cache_control.max_age


def test_every_script_and_style_of_the_page_may_be_kept(client: FlaskClient) -> None:
    text = client.get("/", headers={"Host": "127.0.0.1"}).get_data(as_text=True)
    files = re.findall(r'<script src="([^"]+)"', text) + re.findall(r'rel="stylesheet" href="([^"]+)"', text)
    assert any("/assets/" in file for file in files)
    assert {file: max_age(client, file) for file in files} == dict.fromkeys(files, 31_536_000)


def test_what_draws_pictures_is_named_and_may_be_kept(client: FlaskClient) -> None:
    text = client.get("/", headers={"Host": "127.0.0.1"}).get_data(as_text=True)
    named = re.search(r'<meta name="pictures" content="([^"]+)"', text)
    assert named is not None
    graph, plotly = named[1].split(" ")
    assert b"Plotly" in client.get(plotly, headers={"Host": "127.0.0.1"}).data
    assert max_age(client, graph) == max_age(client, plotly) == 31_536_000


@pytest.mark.parametrize("query", ["", "?m=", "?m=1", "?m=latest"])
def test_file_of_another_time_is_asked_for_again(client: FlaskClient, query: str) -> None:
    assert max_age(client, f"/assets/style.css{query}") is None


def test_answers_about_drives_are_never_kept(client: FlaskClient) -> None:
    for address in ("/", "/_dash-layout", "/_dash-dependencies", f"/drives?m={STYLE.stat().st_mtime}"):
        assert max_age(client, address) is None
