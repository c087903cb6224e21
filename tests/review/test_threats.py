"""The threats of docs/review.md, each refused by a server that really listens."""

import os
import socket
from pathlib import Path

import pytest
from review.conftest import HOSTILE, Client

from audit.review import server as server_module
from audit.review.security import MAX_BODY_BYTES
from audit.review.server import MOST_CONNECTIONS

PORT = "{port}"
HOSTS = (
    "evil.example", "evil.example:{port}", "0.0.0.0:{port}", "0:{port}", "127.1:{port}",
    "127.0.0.1", "localhost", "127.0.0.1:1", "127.0.0.2:{port}", "2130706433:{port}",
    "[::1]:{port}", "[::ffff:127.0.0.1]:{port}", "127.0.0.1.evil.example:{port}",
    "localhost.evil.example:{port}", "evil@127.0.0.1:{port}", "127.0.0.1:{port}.evil.example",
    "127.0.0.1:{port}/", "http://127.0.0.1:{port}", "LOCALHOST.:{port}", "", None,
)  # fmt: skip
ORIGINS = (
    None, "", "null", "http://evil.example", "https://127.0.0.1:{port}", "http://127.0.0.1",
    "http://127.0.0.1:1", "http://localhost:{port}", "http://127.0.0.1:{port}/",
    "http://127.0.0.1:{port}.evil.example", "http://127.0.0.1.evil.example:{port}", "file://",
    "http://evil@127.0.0.1:{port}", "HTTP://127.0.0.1:{port}", "http://[::1]:{port}",
    "http://0.0.0.0:{port}", "ws://127.0.0.1:{port}", "moz-extension://a", "data:", "about:blank",
)  # fmt: skip


@pytest.mark.parametrize("host", HOSTS)
def test_another_host_is_refused(client: Client, host: str | None) -> None:
    """DNS rebinding: a name of somebody else's that leads here."""
    host = None if host is None else host.format(port=client.port)
    for path in ("/", "/static/review.js", "/enter?ticket=x"):
        status, _, body = client.raw("GET", path, {"Host": host, "Cookie": client.cookie})
        assert status in (400, 403)
        assert b"Sets" not in body


def test_both_names_of_this_computer_are_let_in(client: Client) -> None:
    for name in ("127.0.0.1", "localhost"):
        host = f"{name}:{client.port}"
        assert client.raw("GET", "/", {"Host": host, "Cookie": client.cookie})[0] == 200


def test_two_hosts_are_refused(client: Client) -> None:
    with socket.create_connection(("127.0.0.1", client.port)) as connection:
        connection.sendall(
            f"GET / HTTP/1.1\r\nHost: {client.host}\r\nHost: evil.example\r\n"
            f"Cookie: {client.cookie}\r\nConnection: close\r\n\r\n".encode()
        )
        assert connection.recv(100).split()[1] == b"403"


def test_it_listens_on_this_computers_own_address_alone(client: Client) -> None:
    """Port 0 at 127.0.0.1: another address of the loopback net finds nobody."""
    if not Path("/proc/net/tcp").exists():
        pytest.skip("no list of sockets")
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    listening = [line.split()[1] for line in lines if line.split()[3] == "0A"]
    assert [each for each in listening if each.endswith(f":{client.port:04X}")] == [
        f"0100007F:{client.port:04X}"
    ]


@pytest.mark.parametrize("origin", ORIGINS)
def test_a_change_from_another_origin_is_refused(client: Client, origin: str | None) -> None:
    """Cross-site request forgery, with everything else in order."""
    origin = None if origin is None else origin.format(port=client.port)
    number = client.numbers()["sharp_1.jpg"]
    body = b'{"frames": [%d], "word": "reject"}' % number

    status, headers, _ = client.raw("POST", "/decide", client.posting | {"Origin": origin}, body)

    assert status == 403
    assert not any(name.lower().startswith("access-control") for name in headers)
    seen = client.review.sitting.frame(number)
    assert seen is not None
    assert seen.decision.word is None


@pytest.mark.parametrize(
    "changed",
    [
        {"X-Review-Token": None},
        {"X-Review-Token": ""},
        {"X-Review-Token": "guess"},
        {"Cookie": None},
        {"Cookie": "frame-audit-review=guess"},
        {"Content-Type": None},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_change_needs_every_mark(client: Client, changed: dict[str, str | None]) -> None:
    assert client.raw("POST", "/undo", client.posting | changed, b"{}")[0] == 403
    assert client.raw("POST", "/undo", client.posting, b"{}")[0] == 200


def test_no_change_is_made_by_looking(client: Client) -> None:
    for path in ("/decide", "/accept", "/undo", "/redo", "/note", "/end/plan", "/end/write"):
        assert client.get(path)[0] == 405


@pytest.mark.parametrize(
    "path", ["/", "/set/0", "/picture/0", "/tile/0/0/0", "/state", "/decisions.json",
             "/static/review.js", "/end", "/clipped/0", "/set-data/0", "/turns/0", "/limits.toml"]
)  # fmt: skip
def test_a_stranger_reads_nothing(client: Client, path: str) -> None:
    """Other users of the computer: the port is theirs to try, what it serves is not."""
    status, headers, body = client.raw("GET", path, {})

    assert status == 403
    assert "Set-Cookie" not in headers
    assert b"sharp_1" not in body


def test_the_way_in_is_good_once(own_stranger: Client) -> None:
    stranger = own_stranger
    path = stranger.review.gate.address.partition(stranger.host)[2]
    assert stranger.raw("GET", "/enter?ticket=guess", {})[0] == 403
    assert stranger.raw("GET", "/enter", {})[0] == 403
    status, headers, _ = stranger.raw("GET", path, {})

    assert status == 200
    cookie = headers["Set-Cookie"]
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert str(stranger.port) in cookie.partition("=")[0]
    assert stranger.raw("GET", path, {})[0] == 403


def test_every_answer_carries_the_policy(client: Client) -> None:
    for path in ("/", "/set/0", "/nothing", "/tile/0/0/0", "/state"):
        for cookie in (client.cookie, ""):
            _, headers, _ = client.raw("GET", path, {"Cookie": cookie})
            policy = headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy
            assert headers["X-Content-Type-Options"] == "nosniff"
            assert headers["Referrer-Policy"] == "no-referrer"
            assert headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/../../etc/passwd", "/static/../decisions.py", "/static/%2e%2e/app.py", "/static/app.py",
        "/picture/..%2f..%2fetc%2fpasswd", "/picture/-1", "/picture/99", "/picture/0%00",
        "/tile/0/0/9999", "/tile/99/0/0", "/tile/0/0/0?ev=99", "/set/99", "/set/%D9%A1",
        "//evil.example/", "/nothing",
    ],
)  # fmt: skip
def test_no_address_leads_elsewhere(client: Client, path: str) -> None:
    """Addresses hold numbers of frames; a path in one is no address."""
    status, _, body = client.raw("GET", path, {"Cookie": client.cookie})

    assert status in (400, 404)
    assert b"root:" not in body


@pytest.mark.skipif(os.name != "posix", reason="links of POSIX")
def test_a_frame_that_became_a_link_is_not_followed(
    own_client: Client, trip: Path, tmp_path: Path
) -> None:
    client = own_client
    secret = tmp_path / "secret.jpg"
    secret.write_bytes((trip / "sharp_1.jpg").read_bytes())
    number = client.numbers()["sharp_1.jpg"]
    (trip / "sharp_1.jpg").unlink()
    (trip / "sharp_1.jpg").symlink_to(secret)

    status, body = client.get(f"/tile/{number}/0/0")

    assert status == 404
    assert b"found a link" in body


def test_another_file_in_a_frames_place_is_not_shown(own_client: Client, trip: Path) -> None:
    client = own_client
    number = client.numbers()["sharp_3.jpg"]
    (trip / "sharp_3.jpg").chmod(0o644)
    (trip / "sharp_3.jpg").write_bytes((trip / "sharp_1.jpg").read_bytes() + b"more")

    status, body = client.get(f"/tile/{number}/0/0")

    assert status == 404
    assert b"found another" in body


def test_an_original_is_never_served(client: Client) -> None:
    """Tiles are cut and encoded anew; no answer is a file from the disk."""
    original = (client.review.folders[0] / "sharp_1.jpg").read_bytes()
    number = client.numbers()["sharp_1.jpg"]
    for path in (f"/picture/{number}", f"/tile/{number}/0/0"):
        status, body = client.get(path)
        assert status == 200
        assert body not in original
        assert body != original


def test_hostile_names_stay_text(client: Client) -> None:
    number = client.numbers()[HOSTILE]
    for path in ("/", f"/set/{number}", "/end"):
        assert b"<script>alert" not in client.get(path)[1]
        assert b"onerror=alert(2)>" not in client.get(path)[1]
    assert b"&lt;script&gt;" in client.get(f"/set/{number}")[1]


@pytest.mark.parametrize(
    ("headers", "body", "expected"),
    [
        ({"Content-Length": str(MAX_BODY_BYTES + 1)}, None, 413),
        ({"Content-Length": "9" * 5000}, None, 413),
        ({"Content-Length": "-1"}, None, 411),
        ({"Content-Length": "+5"}, None, 411),
        ({"Content-Length": "x"}, None, 411),
        ({"Transfer-Encoding": "chunked"}, None, 411),
        ({}, b"{", 400),
        ({}, b'{"frames": [0], "word": "delete"}', 400),
        ({}, b'{"frames": ["../x"], "word": "keeper"}', 400),
        ({}, b'{"frames": [-1], "word": "keeper"}', 400),
        ({}, b'{"frames": [0], "word": "keeper", "path": "/etc"}', 400),
        ({}, b"\xff\xfe", 400),
    ],
)
def test_a_body_that_is_too_long_or_makes_no_sense_is_refused(
    client: Client, headers: dict[str, str], body: bytes | None, expected: int
) -> None:
    assert client.raw("POST", "/decide", client.posting | headers, body)[0] == expected
    assert client.get("/")[0] == 200


def test_a_header_without_an_end_is_refused(client: Client) -> None:
    assert client.raw("GET", "/", {"X": "x" * 70_000})[0] in (400, 431)
    assert client.get("/")[0] == 200


def test_connections_are_counted(client: Client) -> None:
    """One more than there may be is let go; once the others are gone, all is as before."""
    held = [socket.create_connection(("127.0.0.1", client.port)) for _ in range(MOST_CONNECTIONS)]
    try:
        with socket.create_connection(("127.0.0.1", client.port), timeout=20) as one_more:
            assert one_more.recv(10) == b""
    finally:
        for connection in held:
            connection.close()
    for _ in range(200):
        try:
            assert client.get("/")[0] == 200
            break
        except (ConnectionError, OSError):
            continue
    else:
        pytest.fail("no connection was given back")


def test_a_request_that_trickles_in_is_cut_off(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The limit is for the request as a whole: a byte now and then wins no time."""
    monkeypatch.setattr(server_module, "REQUEST_S", 0.3)
    with socket.create_connection(("127.0.0.1", client.port), timeout=20) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\n")
        connection.settimeout(0.05)
        for _ in range(400):
            try:
                connection.sendall(b"X-A: b\r\n")
                if connection.recv(10) == b"":
                    break
            except TimeoutError:
                continue
            except ConnectionError:
                break
        else:
            pytest.fail("the connection was kept for as long as bytes came")


def test_no_address_writes_to_a_place_that_it_names(client: Client) -> None:
    """The power to write: where copies go was said at the start, in the terminal."""
    wishes = {"ratings": {}, "replaces_ratings": False, "copies": True, "whole_series": False}
    assert client.post("/end/plan", wishes | {"destination": "/etc"})[0] == 400
    assert client.post("/end/plan", wishes)[0] == 200
    assert client.post("/end/write", {"plan": "guess"})[0] == 409


def test_the_ticket_is_in_no_log(client: Client, capfd: pytest.CaptureFixture[str]) -> None:
    client.raw("GET", "/enter?ticket=secret-ticket", {})

    said = capfd.readouterr()
    assert "secret-ticket" not in said.out + said.err
