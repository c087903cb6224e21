"""Who may speak to the local server: the checks that every request passes first.

The address is this computer's own, but every page that a browser shows can send requests to it, and
so can every user of the computer. docs/review.md has the list of threats, each with its test.
"""

import hmac
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie

TOKEN_BYTES = 32
"""256 bits: not to be guessed."""

TOKEN_HEADER = "x-review-token"  # noqa: S105  # the name of it
JSON_TYPE = "application/json"
MAX_BODY_BYTES = 65_536
"""Of a request: hundreds of frames decided on at once (project's choice)."""

ADDRESS = "127.0.0.1"
HOST_NAMES = (ADDRESS, "localhost")

POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
"""Of every answer, whatever it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What was asked.

    Attributes
    ----------
    method, path : str
    query : mapping of str to str
    headers : mapping of str to sequence of str
        By name in lower case; a header that was sent twice has two values.
    body : bytes
    """

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, Sequence[str]] = field(default_factory=dict)
    body: bytes = b""

    def header(self, name: str) -> str | None:
        """Value of a header that was sent once; ``None`` if it was not, or twice."""
        values = self.headers.get(name, ())
        return values[0] if len(values) == 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What is sent back."""

    status: HTTPStatus = HTTPStatus.OK
    kind: str = "text/html; charset=utf-8"
    body: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)


class Gate:
    """Lets in one browser, by a ticket that is good once, and keeps everybody else out.

    Parameters
    ----------
    port : int
        At which the server listens.
    """

    def __init__(self, port: int) -> None:
        self._hosts = tuple(f"{name}:{port}" for name in HOST_NAMES)
        self.cookie_name = f"frame-audit-review-{port}"
        self.ticket: str | None = secrets.token_urlsafe(TOKEN_BYTES)
        self._session = secrets.token_urlsafe(TOKEN_BYTES)
        self.token = secrets.token_urlsafe(TOKEN_BYTES)
        """Sent along with every change; only a page of ours knows it."""

    @property
    def address(self) -> str:
        """Address that lets in, once."""
        return f"http://{self._hosts[0]}/enter?ticket={self.ticket}"

    def refusal(self, request: Request) -> str | None:
        """Why a request is refused; ``None`` if it may pass."""
        host = request.header("host")
        if host not in self._hosts:
            return "the Host is not that of this review"
        if request.path == "/enter":
            return None
        if not self._has_cookie(request):
            return "the browser was not let in"
        if request.header("sec-fetch-site") not in (None, "same-origin", "none"):
            return "another site sent it"
        return self._refused_change(request, host) if request.method == "POST" else None

    def _refused_change(self, request: Request, host: str) -> str | None:
        if request.header("origin") != f"http://{host}":
            return "the Origin is not this page"
        if not _is_same(request.header(TOKEN_HEADER), self.token):
            return "the page's own mark is missing"
        kind = (request.header("content-type") or "").partition(";")[0].strip().lower()
        return None if kind == JSON_TYPE else "it is no JSON"

    def _has_cookie(self, request: Request) -> bool:
        try:
            jar = SimpleCookie(request.header("cookie") or "")
        except CookieError:
            return False
        morsel = jar.get(self.cookie_name)
        return morsel is not None and _is_same(morsel.value, self._session)

    def let_in(self, ticket: str) -> str | None:
        """Take a ticket; what to set as cookie, ``None`` if the ticket is not good (any more)."""
        expected, known = self.ticket, self.ticket is not None
        if not known or not _is_same(ticket, expected or ""):
            return None
        self.ticket = None
        return f"{self.cookie_name}={self._session}; HttpOnly; SameSite=Strict; Path=/"


def _is_same(found: str | None, expected: str) -> bool:
    """Compare in a time that tells nothing."""
    return found is not None and hmac.compare_digest(found.encode(), expected.encode())
