"""The door of the shop page: who is let in, and what goes out."""

import re
from pathlib import Path

import httpx
import pytest
from patience import PATIENCE_S
from starlette.applications import Starlette
from web_server import asked_from, csrf_of, running

from vibeorder.errors import VibeorderError
from vibeorder.web.access import TRIES_EACH, TRIES_TOGETHER, Access
from vibeorder.web.app import create_app
from vibeorder.web.guard import CONTENT_POLICY, host_is_ours
from vibeorder.web.settings import Limits, Settings
from vibeorder.web.tries import WINDOW_S, TooManyTriesError

HERE = "http://127.0.0.1:8765"
PHONE = "192.168.1.20"
LAN = "http://192.168.1.5:8765"
RIGHT_CODE_NEVER = "0000 0000 0"


@pytest.fixture
def app(tmp_path: Path) -> Starlette:
    return create_app(Settings(folder=tmp_path, workers=1))


@pytest.fixture
def lan_app(tmp_path: Path) -> Starlette:
    return create_app(Settings(folder=tmp_path, workers=1, lan=True))


# Host: OWASP "DNS rebinding": the attacker's name resolves to our address, the browser sends that name.
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8765", "127.0.0.1.evil.example", "", "[::1", "a@b"]
)
def test_a_name_pointed_at_this_machine_is_turned_away(app: Starlette, host: str) -> None:
    answer = asked_from("127.0.0.1", app, "GET", HERE, headers={"Host": host})
    assert answer.status_code == 421
    assert "Road test" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8765", "localhost:1", "[::1]:8765", "LOCALHOST"])
def test_loopback_names_are_served(app: Starlette, host: str) -> None:
    assert asked_from("127.0.0.1", app, "GET", HERE, headers={"Host": host}).status_code == 200


def test_a_network_address_is_ours_only_with_lan() -> None:
    assert not host_is_ours("192.168.1.5:8765", lan=False)
    assert host_is_ours("192.168.1.5:8765", lan=True)
    assert not host_is_ours("evil.example", lan=True)


def test_every_answer_forbids_inline_script_and_other_hosts(app: Starlette) -> None:
    # Content Security Policy Level 3 (W3C): without 'unsafe-inline' neither inline script nor style runs
    for path in ("/", "/vehicles", "/nothing", "/static/sheet.css", "/api/rates"):
        answer = asked_from("127.0.0.1", app, "GET", HERE + path)
        policy = answer.headers["content-security-policy"]
        assert policy == CONTENT_POLICY
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "frame-ancestors 'none'" in policy


def test_no_page_carries_inline_script_style_or_a_foreign_address() -> None:
    templates = Path(__file__).resolve().parents[1] / "vibeorder" / "web" / "templates"
    for page in templates.glob("*.html"):
        text = page.read_text("utf-8")
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:", text), page.name
        scripts = re.findall(r"<script(?![^>]*type=\"application/json\")[^>]*>", text)
        assert all('src="/static/' in script for script in scripts), page.name
        assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text), page.name


@pytest.mark.parametrize("path", ["/upload", "/vehicles", "/vehicles/0123456789ab/remove", "/access"])
def test_a_form_without_its_token_is_refused(app: Starlette, path: str) -> None:
    answer = asked_from("127.0.0.1", app, "POST", HERE + path, data={"name": "x"})
    assert answer.status_code == 403
    assert "load the page again" in answer.text


def test_a_token_of_another_browser_is_refused(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as mine:
        with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as other:
            theirs = csrf_of(other)
        mine.get("/")
        data = {"csrf_token": theirs, "name": "x", "layout": "rwd", "tire_size": "275/65R18"}
        assert mine.post("/vehicles", data=data).status_code == 403
        assert mine.post("/vehicles", data={**data, "csrf_token": csrf_of(mine)}).status_code == 303


def test_a_form_sent_by_another_site_is_refused_even_with_the_token(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        data = {"csrf_token": csrf_of(client), "name": "x", "layout": "rwd", "tire_size": "275/65R18"}
        for said in (
            {"Origin": "https://evil.example"},
            {"Origin": "null"},
            {"Sec-Fetch-Site": "cross-site"},
        ):
            assert client.post("/vehicles", data=data, headers=said).status_code == 403
        assert client.post("/vehicles", data=data, headers={"Origin": server.url}).status_code == 303


def test_a_script_may_send_the_token_as_a_header(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        token = csrf_of(client)
        data = {"name": "x", "layout": "rwd", "tire_size": "275/65R18"}
        assert client.post("/vehicles", data=data, headers={"X-CSRF-Token": token}).status_code == 303


def test_an_upload_whose_token_is_not_the_first_field_is_refused(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        files = [("x", (None, "1")), ("csrf_token", (None, csrf_of(client)))]
        assert client.post("/upload", files=files).status_code == 403
        assert client.post("/upload", files=files[::-1]).status_code == 422  # let in: "choose a recording"


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(app: Starlette) -> None:
    cookie = asked_from("127.0.0.1", app, "GET", HERE).headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie


def test_pages_are_not_kept_by_the_browser_but_are_by_nobody_else(app: Starlette) -> None:
    assert asked_from("127.0.0.1", app, "GET", HERE).headers["cache-control"] == "no-store"


def test_another_machine_sees_nothing_before_the_code(lan_app: Starlette) -> None:
    for path in ("/", "/vehicles", "/jobs", "/bench", "/classroom"):
        answer = asked_from(PHONE, lan_app, "GET", LAN + path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/access")
    assert asked_from(PHONE, lan_app, "GET", f"{LAN}/api/rates").status_code == 401
    assert asked_from(PHONE, lan_app, "POST", f"{LAN}/upload").status_code == 401
    shown = asked_from(PHONE, lan_app, "GET", f"{LAN}/access").text
    assert lan_app.state.house.access.code[:4] not in shown


def test_the_machine_itself_needs_no_code_and_shows_it(lan_app: Starlette) -> None:
    assert asked_from("127.0.0.1", lan_app, "GET", HERE).status_code == 200
    code = lan_app.state.house.access.code
    assert f"{code[:4]} {code[4:]}" in asked_from("127.0.0.1", lan_app, "GET", f"{HERE}/access").text


def test_the_code_lets_one_device_in_and_is_spent(lan_app: Starlette) -> None:
    code = lan_app.state.house.access.code
    first, again = _give(lan_app, code, PHONE), _give(lan_app, code, "192.168.1.21")
    assert first.status_code == 303 and again.status_code == 403
    cookie = first.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    let_in = {"Cookie": cookie.split(";")[0]}
    assert asked_from(PHONE, lan_app, "GET", f"{LAN}/vehicles", headers=let_in).status_code == 200
    forged = {"Cookie": "vibeorder_pass=" + "A" * 43}
    assert asked_from(PHONE, lan_app, "GET", f"{LAN}/vehicles", headers=forged).status_code == 303


def test_wrong_codes_are_counted_and_then_even_the_right_one_is_refused(lan_app: Starlette) -> None:
    for _ in range(TRIES_EACH):
        assert _give(lan_app, RIGHT_CODE_NEVER, PHONE).status_code == 403
    assert _give(lan_app, lan_app.state.house.access.code, PHONE).status_code == 429
    assert _give(lan_app, lan_app.state.house.access.code, "192.168.1.30").status_code == 303


def test_many_machines_together_do_not_get_more_tries() -> None:
    now = [0.0]
    access = Access(clock=lambda: now[0])
    for i in range(TRIES_TOGETHER):
        with pytest.raises(VibeorderError, match="not the code"):
            access.admit("wrong", f"10.0.0.{i}")
    with pytest.raises(TooManyTriesError):
        access.admit(access.code, "10.0.1.1")
    now[0] = WINDOW_S + 1.0
    assert access.has(access.admit(access.code, "10.0.1.1"))


def test_a_new_code_is_told_whenever_one_was_spent() -> None:
    told: list[str] = []
    access = Access(show=told.append)
    spent = access.code
    access.admit(f" {spent[:4]}-{spent[4:]} ", "10.0.0.1")
    assert told == [access.code] and access.code != spent


def test_a_proxy_header_does_not_make_another_machine_local(lan_app: Starlette) -> None:
    headers = {"X-Forwarded-For": "127.0.0.1", "Forwarded": "for=127.0.0.1", "X-Real-IP": "127.0.0.1"}
    assert asked_from(PHONE, lan_app, "GET", f"{LAN}/vehicles", headers=headers).status_code == 303


def test_a_form_larger_than_its_limit_is_refused_whether_it_says_so_or_not(tmp_path: Path) -> None:
    limits = Limits(form_bytes=2000, upload_bytes=3000)
    with (
        running(tmp_path, limits=limits) as server,
        httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client,
    ):
        token = csrf_of(client)
        said = client.post("/vehicles", content=b"x" * 2001, headers={"X-CSRF-Token": token})
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        silent = client.post(
            "/vehicles", content=iter([b"x" * 1000] * 3), headers={"X-CSRF-Token": token, **form}
        )
        bare = client.post("/vehicles", content=iter([b"x" * 1000] * 3), headers=form)
        assert (said.status_code, silent.status_code, bare.status_code) == (413, 413, 413)
        assert "cut it" in said.text


def test_a_fault_of_ours_is_one_sentence_without_a_traceback(
    app: Starlette, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken() -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(app.state.house.vehicles, "all", broken)
    answer = asked_from("127.0.0.1", app, "GET", f"{HERE}/vehicles")
    assert answer.status_code == 500
    assert "fault in vibeorder" in answer.text and "secret detail" not in answer.text
    assert answer.headers["content-security-policy"] == CONTENT_POLICY
    assert "secret detail" in caplog.text


def test_static_files_do_not_lead_out_of_their_folder(app: Starlette) -> None:
    for path in ("/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/static//etc/passwd"):
        assert asked_from("127.0.0.1", app, "GET", HERE + path).status_code == 404


def _give(app: Starlette, code: str, address: str) -> httpx.Response:
    page = asked_from(address, app, "GET", f"{LAN}/access")
    token = re.search(r'name="csrf_token" value="([0-9a-f]+)"', page.text)
    assert token
    cookie = page.headers["set-cookie"].split(";")[0]
    data = {"csrf_token": token.group(1), "code": code}
    return asked_from(address, app, "POST", f"{LAN}/access", data=data, headers={"Cookie": cookie})


def test_a_form_that_never_arrives_is_given_up(tmp_path: Path) -> None:
    import socket

    with running(tmp_path, limits=Limits(upload_idle_s=0.3)) as server:
        host, port = server.url.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as line:
            kind = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ncsrf"
            line.sendall(f"POST /access HTTP/1.1\r\nHost: {host}:{port}\r\n{kind}".encode())
            assert line.recv(100).startswith(b"HTTP/1.1 408")
