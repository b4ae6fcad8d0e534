"""Who gets in and who does not; nothing from outside reaches the file system or the markup."""

from __future__ import annotations

import http.client
import json
import signal
import socket
import stat
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from page_visitor import PORT, Visitor, served

from extractor.page import connections
from extractor.page.application import create
from extractor.page.guard import (
    DROP,
    DROPPED_KIND,
    KEY_HEADER,
    MOST_BODY_BYTES,
    MOST_PIECE_BYTES,
    Guard,
)
from extractor.page.server import Pages, address_of_open, opened, state_file
from extractor.reading.clip_job import ReadOptions
from extractor.session.folder import Session

HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture
def visitor(session_folder: Path) -> Iterator[Visitor]:
    made = Visitor(session_folder)
    yield made
    made.close()


ROUTES = [
    ("GET", "/"),
    ("GET", "/static/main.js"),
    ("GET", "/api/session"),
    ("GET", "/api/frame?clip=a.mp4"),
    ("GET", "/api/file?name=summary.csv"),
    ("POST", "/api/read"),
    ("POST", "/api/run"),
    ("POST", "/api/mark"),
]


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_nobody_gets_in_without_the_cookie(session_folder: Path, method: str, path: str) -> None:
    stranger = Visitor(session_folder, enter=False)
    answer = stranger.client.open(
        path, method=method, base_url=stranger.base, json={} if method == "POST" else None
    )
    assert answer.status_code == 401
    stranger.client.set_cookie(stranger.guard.cookie, "guessed", domain="127.0.0.1")
    assert stranger.client.open(path, method=method, base_url=stranger.base).status_code == 401


def test_the_token_works_once(session_folder: Path) -> None:
    stranger = Visitor(session_folder, enter=False)
    address = stranger.guard.address()
    assert stranger.client.get("/enter?token=wrong", base_url=stranger.base).status_code == 403
    first = stranger.client.get(address)
    assert first.status_code == 200
    cookie = first.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert stranger.client.get(address).status_code == 403


def test_a_look_at_the_headers_does_not_spend_the_token(session_folder: Path) -> None:
    stranger = Visitor(session_folder, enter=False)
    address = stranger.guard.address()
    for method in ("HEAD", "OPTIONS", "POST"):
        stranger.client.open(address, method=method)
    assert stranger.client.get(address).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", f"localhost:{PORT}", "127.0.0.1:1", "[::1]"])
@pytest.mark.parametrize("path", ["/", "/enter?token=x", "/api/session"])
def test_another_host_name_is_refused(visitor: Visitor, host: str, path: str) -> None:
    assert visitor.client.get(path, headers={"Host": host}).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_sites_pages_cannot_write(visitor: Visitor, headers: dict[str, str]) -> None:
    assert visitor.post("/api/read", headers=headers).status_code == 403


def test_a_form_of_another_kind_is_refused(visitor: Visitor) -> None:
    answer = visitor.client.post(
        "/api/read",
        base_url=visitor.base,
        data="again=true",
        content_type="text/plain",
        headers={"Origin": visitor.base},
    )
    assert answer.status_code == 415
    assert (
        visitor.client.get(
            "/api/session", base_url=visitor.base, headers={"Sec-Fetch-Site": "cross-site"}
        ).status_code
        == 403
    )


PATHS = [
    "../overlay.toml",
    "..",
    "/etc/passwd",
    "..\\overlay.toml",
    "a.mp4/..",
    "results",
    "%2e%2e",
]


@pytest.mark.parametrize("path", PATHS)
def test_no_name_from_outside_becomes_a_path(visitor: Visitor, path: str) -> None:
    (visitor.desk.root.parent / "secret.csv").write_text("secret")
    for route, key in [
        ("/api/frame", "clip"),
        ("/api/series", "clip"),
        ("/api/file", "name"),
        ("/api/check", "field"),
    ]:
        assert visitor.get(route, **{key: path}).status_code == 404
    assert visitor.get("/api/crop", clip=path, field="bitrate", t=0).status_code == 404
    assert visitor.get("/api/crop", clip="a.mp4", field=path, t=0).status_code == 404
    assert visitor.get(f"/static/{path}").status_code in (404, 308)
    body = {"clip": path, "field": path, "name": path, "key": path, "column": path, "old": ""}
    body |= {"new": path, "box": [1, 1, 9, 9], "time_s": 0, "at_s": 1, "start_s": 0, "end_s": 1}
    body |= {
        "seen": visitor.session()["overlay"],
        "times": [0],
        "verdict": "right",
        "mode": "sample",
    }
    body |= {"kind": path}
    for route in ("live", "mark", "judge", "run", "run/split", "run/add", "run/remove", "preview"):
        answer = visitor.post(f"/api/{route}", body)
        assert answer.status_code in (400, 404, 409), route
    names = {p.name for p in visitor.desk.root.iterdir()}
    assert names <= {"a.mp4", "b.mkv", "overlay.toml", "results"}


@pytest.mark.parametrize("body", [[], "text", 5, {"clip": 5}, {"clip": ["a"]}, {"key": {"a": 1}}])
@pytest.mark.parametrize("route", ["run", "live", "judge", "mark", "condition", "run/add", "read"])
def test_nonsense_is_refused_in_words(
    visitor: Visitor, grey_reader: object, route: str, body: object
) -> None:
    answer = visitor.post(f"/api/{route}", body)
    assert answer.status_code in ((200, 400) if route == "read" else (400, 404, 409))
    if answer.status_code != 200:
        assert answer.get_json()["error"]


NASTY = ["10" + "0" * 400, "1e308", "-1e308", '"\\ud800"', '"\\u0000"', "[" * 50_000]
NASTY[-1] += "]" * 50_000


@pytest.mark.parametrize("nasty", NASTY, ids=range(len(NASTY)))
def test_no_value_is_a_fault_of_the_program(
    visitor: Visitor, grey_reader: object, nasty: str
) -> None:
    """Every value of every request in turn; the others are as the page sends them."""
    run = {"key": '"clip:a.mp4"', "column": '"antenna"', "old": '""', "new": '"Fan"'}
    place = {"clip": '"a.mp4"', "box": "[40,20,64,32]", "time_s": "0"}
    seen = json.dumps(visitor.session()["overlay"])
    field = {"name": '"bitrate"', "was": '"bitrate"', "seen": seen, "unit": '"ms"'}
    limits = dict.fromkeys(("minimum", "maximum", "ceiling", "low", "decimals", "better"), "null")
    judge = {"clip": '"a.mp4"', "field": '"bitrate"', "text": '"1"', "verdict": '"wrong"'}
    judge |= {"mode": '"sample"', "times": "[0]", "changes": '[[0,null,"1"]]', "n": "5"}
    lists = {"changes": f"[[{nasty},null,{nasty}]]", "times": f"[{nasty}]"}
    lists["box"] = f"[{nasty},20,64,32]"
    span = {"start_s": "0", "end_s": "1", "old_start": '""', "old_end": '""'}
    bodies = {
        "run": run,
        "run/split": {"key": run["key"], "at_s": "1"},
        "run/span": {"key": run["key"], **span},
        "run/add": {"clip": '"a.mp4"', **span},
        "run/remove": {"key": run["key"]},
        "condition": {"key": '"place"', "old": '""', "new": '"shed"'},
        "strip/warm": place,
        "live": place | {"was": '""'},
        "mark": place | field | limits | {"better": '"lower"'},
        "mark/remove": {"name": '"bitrate"', "seen": seen},
        "preview": {"name": '"bitrate"'},
        "judge": judge,
        "read": {"again": "false"},
        "cancel": {"kind": '"read"'},
        "report": {"field": '"bitrate"', "measure": '"mean"'},
        "compare": {"field": '"bitrate"', "measure": '"mean"'},
    }
    visitor.read()
    overlay = visitor.desk.root / "overlay.toml"
    marked = overlay.read_text()
    for route, good in bodies.items():
        for key in good:
            overlay.write_text(marked)
            for name in ("runs.csv", "corrections.csv"):
                (visitor.desk.root / name).unlink(missing_ok=True)
            text = ",".join(
                f'"{k}":{lists.get(k, nasty) if k == key else v}' for k, v in good.items()
            )
            answer = visitor.client.post(
                f"/api/{route}",
                base_url=visitor.base,
                data=f"{{{text}}}",
                headers={"Origin": visitor.base, "Content-Type": "application/json"},
            )
            assert answer.status_code < 500, (route, key, answer.get_json())
        assert visitor.get("/api/session").status_code == 200, route
    query = nasty.strip('"')[:1000]
    asked = {"clip": "a.mp4", "field": "bitrate", "t": "0", "w": "64", "n": "5", "mode": "sample"}
    for route in ("frame", "crop", "check", "series", "file", "results"):
        for key in asked:
            answer = visitor.get(f"/api/{route}", **asked | {key: query})
            assert answer.status_code < 500, (route, key)


def test_headers_keep_the_page_to_itself(visitor: Visitor) -> None:
    for path in ("/", "/static/main.js", "/api/session", "/api/frame?clip=a.mp4&t=0"):
        headers = visitor.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Content-Type-Options"] == "nosniff"
    page = visitor.get("/").get_data(as_text=True)
    assert "http://" not in page
    assert "https://" not in page


def test_frames_are_jpeg(visitor: Visitor) -> None:
    answer = visitor.get("/api/frame", clip="a.mp4", t=0.5, w=64)
    assert answer.mimetype == "image/jpeg"
    assert answer.data[:3] == b"\xff\xd8\xff"
    assert visitor.get("/api/frame", clip="a.mp4", t="nan").status_code == 400


def test_the_report_runs_nothing(visitor: Visitor) -> None:
    results = visitor.desk.root / "results"
    results.mkdir(exist_ok=True)
    (results / "report.html").write_text("<script>alert(1)</script>")
    policy = visitor.get("/api/file", name="report.html").headers["Content-Security-Policy"]
    assert policy.startswith("sandbox;")
    assert "script" not in policy


def test_markup_in_names_stays_text(visitor: Visitor) -> None:
    (visitor.desk.root / f"{HOSTILE.replace('/', '')}.mp4").write_bytes(b"no video")
    answer = visitor.post(
        "/api/run", {"key": "clip:a.mp4", "column": "antenna", "old": "", "new": HOSTILE}
    )
    assert answer.status_code == 200
    assert answer.mimetype == "application/json"  # never markup; test_page_browser looks at it
    assert HOSTILE in [r["cells"].get("antenna") for r in visitor.session()["rows"]]


def test_a_served_page(session_folder: Path) -> None:
    """One real server: big bodies, a second open, the state file, a closed terminal."""
    session = Session(session_folder)
    with served(session_folder) as (process, address):
        where = urlsplit(address)
        assert where.hostname == "127.0.0.1"
        path = state_file(session)
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        again = address_of_open(session)
        assert again is not None
        assert again != address
        assert urlsplit(again).port == where.port
        with served(session_folder) as (second, told):
            assert urlsplit(told).port == where.port
            assert second.wait(20) == 0
        connection = http.client.HTTPConnection("127.0.0.1", where.port or 0, timeout=10)
        connection.request("GET", f"{where.path}?{where.query}")
        answer = connection.getresponse()
        answer.read()
        cookie = answer.headers["Set-Cookie"].split(";")[0]
        headers = {
            "Cookie": cookie,
            "Origin": f"http://127.0.0.1:{where.port}",
            "Content-Type": "application/json",
        }
        connection.request("GET", "/api/session", headers=headers)
        answer = connection.getresponse()
        assert answer.status == 200
        assert [c["clip"] for c in json.load(answer)["clips"]] == ["a.mp4", "b.mkv"]
        try:
            connection.request("POST", "/api/run", b"x" * 10_000_000, headers)
            assert connection.getresponse().status == 413
        except (BrokenPipeError, ConnectionResetError):
            pass  # hung up on before all of it was sent: refused all the same
        connection.close()
        process.send_signal(signal.SIGHUP)
        assert process.wait(20) == 0
        assert not path.exists()
    assert address_of_open(session) is None


def test_four_opens_at_one_instant_are_one_page(session_folder: Path) -> None:
    session = Session(session_folder)
    state_file(session).parent.mkdir(parents=True)
    state_file(session).write_text('{"port": 9, "key": "of one that was killed"}')
    with ExitStack() as stack, ThreadPoolExecutor(4) as pool:
        opened = list(pool.map(lambda _: stack.enter_context(served(session_folder)), range(4)))
        assert len({urlsplit(address).port for _, address in opened}) == 1
        assert len({address for _, address in opened}) == 4  # each browser is let in
        ends = time.monotonic() + 20
        while sum(p.poll() is None for p, _ in opened) > 1 and time.monotonic() < ends:
            time.sleep(0.05)
        codes = [process.poll() for process, _ in opened]
        assert sorted(codes, key=str) == [0, 0, 0, None]
        server = opened[codes.index(None)][0]
        server.kill()
        server.wait(20)
        assert state_file(session).exists()  # left behind
        with served(session_folder):
            assert address_of_open(session) is not None


@pytest.fixture
def connected(
    session_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Any, Guard, list[socket.socket]]]:
    """A server in a thread, its guard, and a list of sockets to be closed."""
    monkeypatch.setattr(connections, "STRANGER_S", 1.5)
    sockets: list[socket.socket] = []
    with opened(Session(session_folder), Pages(ReadOptions())) as (server, guard):
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        yield server, guard, sockets
        for one in sockets:
            one.close()
        ends = time.monotonic() + 20
        while server.active_channels and time.monotonic() < ends:
            time.sleep(0.05)


def dial(guard: Guard, sent: bytes = b"") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", guard.port), timeout=10)
    made.sendall(sent)
    return made


def enter(guard: Guard) -> tuple[http.client.HTTPConnection, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", guard.port, timeout=10)
    connection.request("GET", guard.address().removeprefix(guard.origin))
    answer = connection.getresponse()
    answer.read()
    return connection, {"Cookie": answer.headers["Set-Cookie"].split(";")[0]}


def session_is_shown(connection: http.client.HTTPConnection, headers: dict[str, str]) -> bool:
    connection.request("GET", "/api/session", headers=headers)
    answer = connection.getresponse()
    return answer.status == 200 and bool(json.loads(answer.read()))


@pytest.mark.parametrize(
    "sent", [b"", b"GET / HTTP/1.1\r\nHost: x", b"GET / HTTP/1.0\r\n\r\n" * 50]
)
def test_strangers_connections_do_not_stop_the_page(connected: Any, sent: bytes) -> None:
    server, guard, sockets = connected
    connection, cookie = enter(guard)
    sockets.append(connection.sock)
    assert session_is_shown(connection, cookie)
    for _ in range(400):
        with suppress(OSError):  # hung up on while it still talks
            sockets.append(dial(guard, sent))
    assert session_is_shown(connection, cookie)  # the page's own connection is still there
    another, its_cookie = enter(guard)  # and another browser gets in at once
    sockets.append(another.sock)
    assert session_is_shown(another, its_cookie)
    assert len(server.active_channels) <= connections.MOST_CONNECTIONS + 1


def test_a_stranger_who_talks_slowly_is_cut_off_and_a_visitor_who_is_silent_is_not(
    connected: Any,
) -> None:
    server, guard, sockets = connected
    connection, cookie = enter(guard)
    assert session_is_shown(connection, cookie)
    slow = dial(guard, b"GET / HTTP/1.1\r\n")
    sockets += [connection.sock, slow]
    ends = time.monotonic() + 20
    with pytest.raises(ConnectionError):
        while time.monotonic() < ends:
            slow.sendall(b"x")
            time.sleep(0.1)
    assert len(server.active_channels) == 1
    assert session_is_shown(connection, cookie)


def test_what_a_killed_page_left_behind_is_passed_over(session_folder: Path) -> None:
    session = Session(session_folder)
    path = state_file(session)
    path.parent.mkdir(parents=True)
    for left in ("{}", "no json", '{"port": 1, "key": "x"}', '{"port": "y", "key": 5}'):
        path.write_text(left)
        assert address_of_open(session) is None


def test_the_key_is_for_another_open_only(visitor: Visitor) -> None:
    key = {KEY_HEADER: visitor.guard.key}
    ask = visitor.client.post
    assert ask("/again", base_url=visitor.base, headers=key).status_code == 200
    assert ask("/again", base_url=visitor.base, headers={KEY_HEADER: "x"}).status_code == 403
    foreign = {**key, "Origin": visitor.base}
    assert ask("/again", base_url=visitor.base, headers=foreign).status_code == 403


def test_only_a_dropped_clip_brings_bytes(visitor: Visitor) -> None:
    asked = {"name": "c.mp4", "at": 0, "size": 3, "modified_s": 1e9}

    def drop(path: str = DROP, body: bytes = b"abc", **headers: str) -> int:
        answer = visitor.client.post(
            path,
            base_url=visitor.base,
            query_string=asked,
            data=body,
            content_type=headers.pop("kind", DROPPED_KIND),
            headers={"Origin": visitor.base} | headers,
        )
        return int(answer.status_code)

    assert drop("/api/run") == 415
    assert drop(kind="application/json") == drop(kind="text/plain") == 415
    assert drop(Origin="http://evil.example") == 403
    assert drop(body=b"x" * (MOST_PIECE_BYTES + 1)) == 413
    assert visitor.post("/api/run", {"x": "y" * MOST_BODY_BYTES}).status_code == 413
    stranger = Visitor(visitor.desk.root, enter=False)
    assert stranger.client.post(DROP, base_url=stranger.base, data=b"abc").status_code == 401
    assert not (visitor.desk.root / "c.mp4").exists()
    assert drop() == 200
    assert (visitor.desk.root / "c.mp4").read_bytes() == b"abc"
    assert drop() == 400  # it is there
    for name in PATHS:
        asked["name"] = name
        assert drop() == 400


def test_the_start_page_shows_no_session_and_no_folder_elsewhere(tmp_path: Path) -> None:
    guard = Guard(PORT)
    client = create(None, guard).test_client()
    client.get(guard.address())
    ask = {"base_url": guard.origin, "headers": {"Origin": guard.origin}}
    assert client.get("/api/start", base_url=guard.origin).get_json()["session"] is None
    assert client.get("/api/session", base_url=guard.origin).status_code == 404
    for path in (*PATHS, "/", "/etc", str(tmp_path), "\0"):
        found = client.get("/api/folders", base_url=guard.origin, query_string={"path": path})
        assert found.status_code == 400
        assert client.post("/api/open", json={"path": path}, **ask).status_code == 400
        assert client.post("/api/new", json={"parent": path, "name": "x"}, **ask).status_code == 400
    assert client.post("/api/round", json={}, **ask).status_code == 400
