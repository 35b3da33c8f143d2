"""Who may come in, tried on the application itself without a network."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboards.app import create_app
from dashboards.security import COOKIE, Access, is_loopback
from tests.dashboards.samples import FakeLogbook, usual_drive

TOKEN = "a-token-of-good-length"
ASKED = {
    "output": "..page.children...title.data..",
    "outputs": [{"id": "page", "property": "children"}, {"id": "title", "property": "data"}],
    "inputs": [{"id": "view", "property": "data", "value": {"path": "/", "search": ""}}],
    "changedPropIds": ["view.data"],
}


def client(tmp_path: Path, access: Access | None = None) -> FlaskClient:
    book = FakeLogbook(tmp_path)
    book.add(usual_drive("a"))
    made: FlaskClient = create_app(book, access=access, load=book.load).server.test_client()
    return made


def ask(visitor: FlaskClient, host: str, path: str = "/", **headers: str) -> TestResponse:
    return visitor.get(path, headers={"Host": host, **headers}, buffered=True)


def write(visitor: FlaskClient, headers: Mapping[str, str]) -> TestResponse:
    return visitor.post("/_dash-update-component", json=ASKED, headers={"Host": "127.0.0.1:8050", **headers})


@pytest.mark.parametrize("host", ["127.0.0.1:8050", "localhost:8050", "[::1]:8050", "LOCALHOST", "127.0.0.1"])
def test_this_machine_is_let_in(tmp_path: Path, host: str) -> None:
    assert ask(client(tmp_path), host).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["example.org", "example.org:8050", "127.0.0.1.example.org", "localhost.example.org", "192.168.1.7:8050",
     "0.0.0.0:8050", "", "[::1", "user@localhost.example.org", "127.0.0.1@example.org",
     "127.0.0.1:8050, example.org", "127.0.0.1:8050,example.org", "localhost:x"],
)  # fmt: skip
def test_foreign_host_is_misdirected(tmp_path: Path, host: str) -> None:
    """RFC 9110, 15.5.20: 421 for a request that this server does not answer for. DNS rebinding comes this way."""
    for path in ("/", "/_dash-layout", "/assets/style.css"):
        assert ask(client(tmp_path), host, path).status_code == 421


def test_our_own_page_may_write(tmp_path: Path) -> None:
    own = {"Origin": "http://127.0.0.1:8050", "Sec-Fetch-Site": "same-origin"}
    answer = write(client(tmp_path), own)
    assert answer.status_code == 200
    assert "The old blue estate" in answer.get_data(as_text=True)
    assert write(client(tmp_path), {}).status_code == 200  # a program that is no browser


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://example.org"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:8050"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "http://localhost:8050"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_write_of_another_site_is_forbidden(tmp_path: Path, headers: dict[str, str]) -> None:
    assert write(client(tmp_path), headers).status_code == 403


@pytest.mark.parametrize(
    ("mode", "destination", "status"),
    [("navigate", "document", 200), ("no-cors", "image", 403), ("no-cors", "script", 403), ("navigate", "iframe", 403),
     ("navigate", "embed", 403), ("cors", "empty", 403)],
)  # fmt: skip
@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_may_link_here_but_load_nothing(
    tmp_path: Path, site: str, mode: str, destination: str, status: int
) -> None:
    """W3C, Fetch Metadata Request Headers: what a browser says of a request that a page did not make by itself."""
    told = {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": destination}
    for path in ("/", "/assets/style.css", "/drive/a"):
        assert ask(client(tmp_path), "127.0.0.1:8050", path, **told).status_code == status


def test_our_own_page_and_the_address_bar_load_everything(tmp_path: Path) -> None:
    for told in ({"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "no-cors"}, {"Sec-Fetch-Site": "none"}, {}):
        assert ask(client(tmp_path), "127.0.0.1:8050", "/assets/style.css", **told).status_code == 200


def test_huge_request_is_refused(tmp_path: Path) -> None:
    big = client(tmp_path).post(
        "/_dash-update-component", data=b"x" * 1_500_000, headers={"Host": "127.0.0.1"}, content_type="application/json"
    )
    assert big.status_code == 413


@pytest.mark.parametrize(
    "body",
    [b"", b"{}", b"[]", b"null", b"1", b"not json", b"[" * 100_000, b'{"output": 1, "inputs": []}',
     b'{"output": "page.children"}', b'{"output": "nobody.children", "inputs": []}'],
)  # fmt: skip
def test_what_no_page_sends_is_refused_and_no_failure_of_the_program(tmp_path: Path, body: bytes) -> None:
    headers = {"Host": "127.0.0.1:8050"}
    answer = client(tmp_path).post(
        "/_dash-update-component", data=body, headers=headers, content_type="application/json"
    )
    assert answer.status_code in {400, 404}
    assert "Content-Security-Policy" in answer.headers


@pytest.mark.parametrize(
    "changed",
    [{"inputs": []}, {"inputs": [1]}, {"inputs": [{}]}, {"inputs": [None]}, {"inputs": [{"id": 1, "property": "data"}]},
     {"inputs": [[[]]]}, {"outputs": None}, {"outputs": []}, {"outputs": {"id": "page"}}, {"changedPropIds": None},
     {"state": "x"}, {"state": [{"id": "view", "property": "data"}]}],
)  # fmt: skip
def test_callback_asked_in_another_shape_is_refused_and_no_failure_of_the_program(
    tmp_path: Path, changed: dict[str, object]
) -> None:
    headers = {"Host": "127.0.0.1:8050"}
    answer = client(tmp_path).post("/_dash-update-component", json={**ASKED, **changed}, headers=headers)
    assert answer.status_code == 400
    assert "Content-Security-Policy" in answer.headers


@pytest.mark.parametrize(
    "path",
    ["/_dash-component-suites/dash/..%2f..%2fetc/passwd", "/_dash-component-suites/os/__init__.py",
     "/_dash-component-suites/dash/%00.js", "/assets/..%2fapp.py", "/assets/%00", "/export/%00?form=csv",
     "/export/..%2f..%2fetc%2fpasswd?form=csv", "/report/..%2f..%2fetc%2fpasswd.html", "/report/%ff.pdf"],
)  # fmt: skip
def test_path_out_of_the_program_leads_nowhere(tmp_path: Path, path: str) -> None:
    answer = ask(client(tmp_path), "127.0.0.1:8050", path)
    assert answer.status_code in {404, 422}
    assert b"root:" not in answer.data
    assert "Content-Security-Policy" in answer.headers


def test_every_answer_carries_the_policy(tmp_path: Path) -> None:
    for path in ("/", "/_dash-layout", "/assets/dashboard.js", "/nowhere", "/drive/x"):
        answer = ask(client(tmp_path), "127.0.0.1", path)
        policy = answer.headers["Content-Security-Policy"]
        scripts = re.search(r"script-src ([^;]*)", policy)
        assert scripts is not None
        assert "unsafe" not in scripts[1]
        assert "http" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_page_names_its_language_and_nothing_outside(tmp_path: Path) -> None:
    text = ask(client(tmp_path), "127.0.0.1").get_data(as_text=True)
    assert '<html lang="en">' in text
    assert "//" not in re.sub(r"<script[^>]*>.*?</script>", "", text, flags=re.S).replace("<!DOCTYPE", "")


def test_answers_are_compressed(tmp_path: Path) -> None:
    page = ask(client(tmp_path), "127.0.0.1", "/_dash-layout", **{"Accept-Encoding": "gzip"})
    assert page.headers.get("Content-Encoding") == "gzip"


@pytest.mark.parametrize("path", ["/_mcp", "/mcp", "/_dash-mcp"])
def test_no_interface_for_programs_is_open(tmp_path: Path, path: str) -> None:
    answer = client(tmp_path).post(path, json={}, headers={"Host": "127.0.0.1"})
    assert answer.status_code in (404, 405)


def test_whoever_has_the_token_is_let_in_and_remembered(tmp_path: Path) -> None:
    visitor = client(tmp_path, Access("192.168.1.7", TOKEN))
    assert ask(visitor, "192.168.1.7").status_code == 401
    first = ask(visitor, "192.168.1.7", f"/drive/a?token={TOKEN}")
    assert first.status_code == 302
    assert first.headers["Location"] == "/drive/a"
    cookie = first.headers["Set-Cookie"]
    assert cookie.startswith(f"{COOKIE}={TOKEN}")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    visitor.set_cookie(COOKIE, TOKEN, domain="192.168.1.7")
    assert ask(visitor, "192.168.1.7").status_code == 200


@pytest.mark.parametrize("offered", ["", "wrong", TOKEN[:-1], TOKEN + "x", "ü"])
def test_wrong_token_is_refused_for_every_path(tmp_path: Path, offered: str) -> None:
    visitor = client(tmp_path, Access("192.168.1.7", TOKEN))
    for path in ("/", "/_dash-layout", "/assets/style.css", "/_dash-dependencies"):
        assert ask(visitor, "192.168.1.7", f"{path}?token={offered}").status_code == 401


def test_token_never_leads_to_another_site(tmp_path: Path) -> None:
    visitor = client(tmp_path, Access("192.168.1.7", TOKEN))
    location = ask(visitor, "192.168.1.7", f"//example.org/?token={TOKEN}").headers["Location"]
    assert "example.org" not in location


def test_line_break_in_the_address_with_the_token_is_no_header_and_no_failure(tmp_path: Path) -> None:
    answer = ask(client(tmp_path, Access("192.168.1.7", TOKEN)), "192.168.1.7", f"/%0d%0aX-A:1?token={TOKEN}")
    assert (answer.status_code, answer.headers["Location"], answer.headers.get("X-A")) == (302, "/", None)


def test_beyond_loopback_only_numbers_and_own_names_are_this_server() -> None:
    access = Access("0.0.0.0", TOKEN)
    assert access.names_us("192.168.1.7:8050")
    assert access.names_us("[fe80::1]:8050")
    assert not access.names_us("example.org")


@pytest.mark.parametrize(
    ("host", "here"),
    [("127.0.0.1", True), ("127.5.5.5", True), ("localhost", True), ("::1", True), ("0.0.0.0", False),
     ("192.168.1.7", False), ("::", False), ("workshop", False)],
)  # fmt: skip
def test_loopback_is_told_from_the_rest(host: str, here: bool) -> None:
    assert is_loopback(host) is here
