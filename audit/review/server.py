"""The HTTP side: http.server of the standard library, bounded, on this computer's own address."""

import contextlib
import io
import os
import socket
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from audit.review.security import ADDRESS, HEADERS, MAX_BODY_BYTES, Answer, Request

MOST_CONNECTIONS = 32
"""At a time; a browser opens six for one address (project's choice)."""

REQUEST_S = 10.0
"""From the first byte of a request to its last (project's choice)."""

IDLE_S = 60.0
"""Of a connection that waits for the next request (project's choice)."""

SEND_S = 30.0
"""For one answer to be taken (project's choice)."""


class ReviewServer(ThreadingHTTPServer):
    """Listens on a free port until it is closed.

    Parameters
    ----------
    answer : callable
        Gives the answer to a request; called from many threads.
    """

    daemon_threads = True
    # On Windows the option would let another program take the port over.
    allow_reuse_address = os.name == "posix"

    def __init__(self, answer: Callable[[Request], Answer] | None = None) -> None:
        self.answer = answer
        self._room = threading.BoundedSemaphore(MOST_CONNECTIONS)
        super().__init__((ADDRESS, 0), _Handler)

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.server_address[1])

    def process_request(self, request: Any, client_address: Any) -> None:
        """Take a connection if there is room for it."""
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Serve a connection, and make room for the next."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing: a browser that went away is no news."""


class _Patience(io.RawIOBase):
    """Reads a connection, with a limit for each request as a whole: trickling in wins no time."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self.wait()

    def wait(self) -> None:
        """The next byte begins a request."""
        self._is_waiting = True
        self._until = time.monotonic() + IDLE_S

    def readable(self) -> bool:
        return True

    def readinto(self, room: Any) -> int:
        left = self._until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        self._connection.settimeout(left)
        count = self._connection.recv_into(room)
        if self._is_waiting:
            self._is_waiting = False
            self._until = time.monotonic() + REQUEST_S
        return count


class _Handler(BaseHTTPRequestHandler):
    """One connection."""

    protocol_version = "HTTP/1.1"
    server: ReviewServer

    def setup(self) -> None:
        super().setup()
        self._patience = _Patience(self.connection)
        self.rfile = io.BufferedReader(self._patience)

    def handle_one_request(self) -> None:
        self._patience.wait()
        with contextlib.suppress(ConnectionError):
            super().handle_one_request()
            return
        self.close_connection = True

    def do_GET(self) -> None:  # the name that http.server asks for
        """Answer what asks for something; it has no body."""
        if self.headers.get("Content-Length", "0") != "0" or self.headers.get("Transfer-Encoding"):
            self._refuse(HTTPStatus.BAD_REQUEST)
            return
        self._answer(b"")

    def do_POST(self) -> None:  # the name that http.server asks for
        """Answer what changes something."""
        length = self.headers.get("Content-Length", "")
        if self.headers.get("Transfer-Encoding") or not (length.isascii() and length.isdecimal()):
            self._refuse(HTTPStatus.LENGTH_REQUIRED)
        elif len(length) > len(str(MAX_BODY_BYTES)) or int(length) > MAX_BODY_BYTES:
            self._refuse(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        else:
            self._answer(self.rfile.read(int(length)))

    def _answer(self, body: bytes) -> None:
        assert self.server.answer is not None
        request = self._request(body)
        if request is None:
            self._refuse(HTTPStatus.BAD_REQUEST)
            return
        self._send(self.server.answer(request))

    def _request(self, body: bytes) -> Request | None:
        headers: dict[str, list[str]] = defaultdict(list)
        for name, value in self.headers.items():
            headers[name.lower()].append(value)
        try:
            parts = urlsplit(self.path)
            query = dict(parse_qsl(parts.query, max_num_fields=8))
        except ValueError:
            return None
        if parts.scheme or parts.netloc:
            return None
        return Request(
            method=self.command, path=parts.path, query=query, headers=headers, body=body
        )

    def _refuse(self, status: HTTPStatus) -> None:
        self.close_connection = True
        body = f"{status.value} {status.phrase}\n".encode()
        self._send(Answer(status=status, kind="text/plain; charset=utf-8", body=body))

    def _send(self, answer: Answer) -> None:
        self.connection.settimeout(SEND_S)
        self.send_response(answer.status)
        for name, value in (HEADERS | dict(answer.headers)).items():
            self.send_header(name, value)
        self.send_header("Content-Type", answer.kind)
        self.send_header("Content-Length", str(len(answer.body)))
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(answer.body)

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:  # noqa: ARG002
        """Refuse what is no request, without an echo of it."""
        try:
            self._refuse(HTTPStatus(code))
        except ValueError:
            self._refuse(HTTPStatus.BAD_REQUEST)

    def version_string(self) -> str:
        """Tell nothing of versions."""
        return "frame-audit"

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        """Log nothing: an address may hold a ticket."""
