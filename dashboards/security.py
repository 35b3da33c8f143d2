"""What the dashboard refuses: strangers' hosts, other sites' writes, foreign scripts, and visitors without the token.

Plain Flask hooks around the Dash application. Host names are checked because a web site can make its own name point to
this machine (DNS rebinding); the origin, because any site may post to a local address.
"""

from __future__ import annotations

import hmac
import ipaddress
import re
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from dash.exceptions import DependencyException
from flask import Flask, Request, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
COOKIE = "obdwatch_token"
# Random tokens of 16 letters and more cannot be guessed over a network; OWASP asks for 64 bits of entropy at least.
SHORTEST_TOKEN = 16
# A callback sends a few kilobytes; only the address that takes files up allows itself more.
LARGEST_REQUEST = 1_000_000
MISDIRECTED, FORBIDDEN, UNAUTHORISED, WRONG, NOT_FOUND = 421, 403, 401, 400, 404
# RFC 9110, 7.2: a name or an address, and perhaps a port; two headers that a server joined by a comma are neither.
_HOST = re.compile(r"(\[[0-9a-fA-F:.]+\]|[^\[\]:@,/\s]+)(:[0-9]{1,5})?")
CALLBACKS = "/_dash-update-component"
UNSAFE = frozenset({"POST", "PUT", "PATCH", "DELETE"})


@dataclass(frozen=True, slots=True)
class Access:
    """Who may come in: requests that name `host` or this machine; all of them with `token`, where there is one."""

    host: str = "127.0.0.1"
    token: str | None = None

    def names_us(self, host_header: str) -> bool:
        """Whether a Host header means this server.

        Beyond loopback every numeric address will do: only names can be made to point somewhere else.
        """
        if not _HOST.fullmatch(host_header):
            return False
        name = (urlsplit(f"//{host_header}").hostname or "").lower()
        if name in LOOPBACK_NAMES:
            return True
        if is_loopback(self.host):
            return False
        return name in {self.host.lower(), socket.gethostname().lower()} or _is_numeric(name)


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a server on `host`."""
    return host in LOOPBACK_NAMES or (_is_numeric(host) and ipaddress.ip_address(host).is_loopback)


def _is_numeric(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def guard(
    server: Flask, access: Access, script_hashes: Sequence[str], callbacks: Mapping[str, Mapping[str, Any]]
) -> None:
    """Put the rules around every request and answer of `server`; `script_hashes` are the inline scripts allowed.

    `callbacks` are Dash's own by their outputs; a request that fits none is refused before Dash stumbles over it.
    """
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST
    headers = security_headers(script_hashes)

    @server.before_request
    def check() -> AnyResponse | None:
        return _refusal(request, access) or _malformed(request, callbacks)

    @server.errorhandler(DependencyException)
    def no_such_file(_error: DependencyException) -> AnyResponse:
        return _plain("There is no such file.", NOT_FOUND)

    @server.after_request
    def add_headers(response: Response) -> Response:
        response.headers.update(headers)
        return response


def _refusal(asked: Request, access: Access) -> AnyResponse | None:
    if not _host_is_ours(asked, access):
        return _plain("This address does not belong to this dashboard.", MISDIRECTED)
    if asked.method in UNSAFE and not _same_origin(asked):
        return _plain("Another site may not write here.", FORBIDDEN)
    if _built_in_elsewhere(asked):
        return _plain("Another site may link to this dashboard, but not build it into its pages.", FORBIDDEN)
    if access.token is None:
        return None
    return _token_refusal(asked, access.token)


def _malformed(asked: Request, callbacks: Mapping[str, Mapping[str, Any]]) -> AnyResponse | None:
    """A refusal of what no page of ours sends, so that no stranger fills the terminal with failures of the program."""
    if asked.method != "POST" or asked.path != CALLBACKS:
        return None
    try:
        body = asked.get_json(silent=True)
    except RecursionError:
        body = None
    if not isinstance(body, dict) or not isinstance(body.get("output"), str):
        return _plain("This is no request of a page of this dashboard.", WRONG)
    if body["output"] not in callbacks:
        return _plain("There is no such part of a page.", NOT_FOUND)
    if not _fits(body, callbacks[body["output"]]):
        return _plain("This is no request of a page of this dashboard.", WRONG)
    return None


def _fits(body: Mapping[str, Any], callback: Mapping[str, Any]) -> bool:
    """Whether a request names as many places as its callback has, each in the shape that Dash reads unasked."""
    places = [(body.get("inputs"), callback["inputs"]), (body.get("state", []), callback["state"])]
    if not callback["no_output"]:
        several = isinstance(callback["output"], list)
        outputs, wanted = body.get("outputs"), callback["output"]
        places.append((outputs, wanted) if several else ([outputs], [wanted]))
    changed = body.get("changedPropIds", [])
    return isinstance(changed, list) and all(
        isinstance(named, list) and len(named) == len(wanted) and all(map(_is_place, named)) for named, wanted in places
    )


def _is_place(named: object) -> bool:
    """A property of a component, or a list of them where an id is a pattern."""
    if isinstance(named, list):
        return all(isinstance(one, dict) and _is_place(one) for one in named)
    return (
        isinstance(named, dict) and isinstance(named.get("id"), str | dict) and isinstance(named.get("property"), str)
    )


def _host_is_ours(asked: Request, access: Access) -> bool:
    try:
        return access.names_us(asked.headers.get("Host", ""))
    except ValueError:  # such as an unclosed bracket
        return False


def _same_origin(asked: Request) -> bool:
    """Whether a write comes from our own page; programs that are no browsers send no origin and may."""
    if asked.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}:
        return False
    origin = asked.headers.get("Origin")
    return origin is None or origin.lower() == f"{asked.scheme}://{asked.headers.get('Host', '')}".lower()


def _built_in_elsewhere(asked: Request) -> bool:
    """Whether a page of another site loads this as a picture, a script or a frame: it could have reports made in heaps.

    Browsers say so themselves (Fetch Metadata Request Headers, W3C); whoever follows a link navigates.
    """
    if asked.headers.get("Sec-Fetch-Site", "none") in {"same-origin", "none"}:
        return False
    navigates = asked.headers.get("Sec-Fetch-Mode") == "navigate"
    return not (navigates and asked.headers.get("Sec-Fetch-Dest", "document") == "document")


def _token_refusal(asked: Request, token: str) -> AnyResponse | None:
    """None for a visitor who has the token; one who brings it in the address gets it as a cookie."""
    if _equal(asked.cookies.get(COOKIE, ""), token):
        return None
    if not _equal(asked.args.get("token", ""), token):
        return _plain("This dashboard asks for its token: open the address that the terminal printed.", UNAUTHORISED)
    here = asked.path.startswith("/") and not asked.path.startswith("//") and asked.path.isprintable()
    answer = redirect(asked.path if here else "/")
    answer.set_cookie(COOKIE, token, httponly=True, samesite="Strict")
    return answer


def _equal(offered: str, token: str) -> bool:
    return hmac.compare_digest(offered.encode("utf-8", "replace"), token.encode())


def _plain(text: str, status: int) -> AnyResponse:
    return Response(text, status, mimetype="text/plain")


def security_headers(script_hashes: Sequence[str]) -> dict[str, str]:
    """The headers of every answer; styles may be inline, because Plotly sets them on what it draws."""
    policy = {
        "default-src": "'none'",
        "script-src": " ".join(["'self'", *script_hashes]),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self'",
        "connect-src": "'self'",
        "base-uri": "'none'",
        "form-action": "'none'",
        "frame-ancestors": "'none'",
    }
    return {
        "Content-Security-Policy": "; ".join(f"{name} {value}" for name, value in policy.items()),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    }
