"""A class's code on the shop's network: it opens that class's round, and nothing else of the shop."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
from starlette.applications import Starlette
from starlette.routing import Mount, Route
from web_server import SAMPLES, asked_from

from vibeorder.classroom import SchoolClass
from vibeorder.web import classes
from vibeorder.web.app import create_app
from vibeorder.web.classes import CLASS_FILE, SCHOOL_DAY_S, TRIES_EACH, TRIES_TOGETHER
from vibeorder.web.settings import Settings
from vibeorder.web.tasks.lesson import LESSON_FILE, QUESTION_FILE

PHONE, OTHER = "192.0.2.44", "192.0.2.45"  # TEST-NET-1, RFC 5737
LAN = "https://192.0.2.1:8766"
QUESTION: dict[str, Any] = {
    "vehicle": "Ostrel", "facts": [], "moments": [], "rates": [], "strongest": [], "factor": 8, "choices": [],
    "picture": {"low_hz": 5.0, "top_hz": 100.0},
}  # fmt: skip


@pytest.fixture
def app(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Starlette:
    monkeypatch.setattr("vibeorder.web.pages.classroom_round.lesson_figures", lambda *_: [])
    made = create_app(
        Settings(folder=tmp_path, lan=True, workers=1, addresses=("192.0.2.1",), secure_port=8766)
    )
    made.state.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
    return made


def a_class(app: Starlette) -> tuple[str, str]:
    """A round of one question as its task leaves it: its folder, its code."""
    house = app.state.house
    name = house.store.new()
    house.classes.open(name, 1)
    house.store.write_json(name, LESSON_FILE, {"kind": "round", "questions": 1})
    (house.store.path(name) / "1").mkdir()
    (house.store.path(name) / "1" / QUESTION_FILE).write_text(json.dumps(QUESTION), "utf-8")
    (house.store.path(name) / "1" / "recording.csv").write_text("time (s)\n0\n", "utf-8")
    return name, house.classes.get(name).code


class Phone:
    """A browser on another machine: cookies by their paths, forms with their token."""

    def __init__(self, app: Starlette, address: str = PHONE) -> None:
        self.app, self.address = app, address
        self.cookies: dict[str, tuple[str, str]] = {}

    def ask(self, method: str, path: str, **request: Any) -> httpx.Response:
        sent = "; ".join(f"{n}={v}" for n, (v, below) in self.cookies.items() if path.startswith(below))
        answer = asked_from(
            self.address, self.app, method, LAN + path, headers={"Cookie": sent} if sent else {}, **request
        )
        for cookie in answer.headers.get_list("set-cookie"):
            (name, value), below = cookie.split(";")[0].split("=", 1), re.search(r"Path=([^;]+)", cookie)
            self.cookies[name] = (value, below[1] if below else "/")
        return answer

    def send(self, path: str, form: str, **fields: str) -> httpx.Response:
        token = re.search(r'name="csrf_token" value="([0-9a-f]+)"', self.ask("GET", form).text)
        assert token
        return self.ask("POST", path, data={"csrf_token": token[1], **fields})

    def join(self, code: str, nickname: str = "Ann") -> httpx.Response:
        return self.send("/classroom/join", "/classroom/join", code=code, nickname=nickname)


def shut(answer: httpx.Response) -> bool:
    """Whether the answer shows nothing of the shop."""
    led = answer.status_code == 303 and answer.headers["location"] in ("/access", "/classroom/join")
    return led or answer.status_code == 401


def every_address(app: Starlette, name: str) -> Iterator[tuple[str, str]]:
    """Each route of the application, with something real in its places."""
    real = {
        "name": name,
        "number": "1",
        "number:int": "1",
        "file": "sheet.html",
        "sheet": "runout",
        "kind": "json",
    }
    for route in app.routes:
        if isinstance(route, Mount):
            continue
        assert isinstance(route, Route)
        path = re.sub(r"\{([^}]+)\}", lambda found: real[found[1]], route.path)
        for method in sorted((route.methods or set()) - {"HEAD"}):
            yield method, path


def test_a_class_code_opens_its_round_without_the_shops_code(app: Starlette) -> None:
    name, code = a_class(app)
    phone = Phone(app)
    assert shut(phone.ask("GET", f"/classroom/{name}"))
    answer = phone.join(code.lower())
    assert answer.status_code == 303 and answer.headers["location"] == f"/classroom/{name}"
    assert any("Secure" in one and "HttpOnly" in one for one in answer.headers.get_list("set-cookie"))
    page = phone.ask("GET", f"/classroom/{name}")
    assert page.status_code == 200 and "Your answer, Ann" in page.text
    for part in ("board", "standing", "state", "1/recording.csv"):
        assert phone.ask("GET", f"/classroom/{name}/{part}").status_code == 200, part


def test_a_class_code_opens_nothing_else_of_the_shop(app: Starlette) -> None:
    name, code = a_class(app)
    other, _ = a_class(app)
    phone = Phone(app)
    phone.join(code)
    opened = {path for method, path in every_address(app, other) if not shut(phone.ask(method, path))}
    assert opened == {"/access", "/classroom/join"}
    own = {(m, p) for m, p in every_address(app, name) if name in p and p.startswith(f"/classroom/{name}")}
    shut_here = {urlsplit(p).path.rsplit("/", 1)[1] for m, p in own if shut(phone.ask(m, p))}
    assert shut_here == {"reveal", "next", "remove"}, "what only the trainer does"


def test_a_guest_sees_no_way_into_the_shop(app: Starlette) -> None:
    name, code = a_class(app)
    phone = Phone(app)
    phone.join(code)
    for path in ("/classroom/join", f"/classroom/{name}", f"/classroom/{name}/board"):
        links = set(re.findall(r'<a [^>]*href="(/[^"#]*)"', phone.ask("GET", path).text))
        assert all(link.startswith("/classroom/") for link in links), (path, links)


def test_wrong_class_codes_are_counted_by_phone_and_by_all_together(
    app: Starlette, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, code = a_class(app)
    phone = Phone(app)
    for _ in range(TRIES_EACH):
        assert phone.join("AAAAAA").status_code == 422
    assert phone.join(code).status_code == 429, "even the right one"
    assert Phone(app, OTHER).join(code).status_code == 303, "another phone of the class still may"
    for number in range(TRIES_TOGETHER):
        with pytest.raises(Exception, match=r"no class has that code|too many wrong"):
            app.state.house.classes.enter("AAAAAA", f"10.0.{number // 250}.{number % 250}")
    assert Phone(app, "192.0.2.46").join(code).status_code == 429


def test_codes_are_too_many_to_guess_in_a_school_day() -> None:
    # 28 letters and figures, six places: 4.8e8; what the counters let through in twelve hours, from everywhere
    codes = len(classes.CODE_LETTERS) ** classes.CODE_LENGTH
    assert codes / (TRIES_TOGETHER * SCHOOL_DAY_S / 600.0) > 60_000


def test_a_class_is_shut_the_next_day_and_to_whom_the_trainer_took_out(app: Starlette) -> None:
    name, code = a_class(app)
    house, phone, second = app.state.house, Phone(app), Phone(app, OTHER)
    phone.join(code), second.join(code, "Bo")
    from vibeorder.classroom import remove_student

    house.classes.change(name, lambda school: remove_student(school, "Ann"))
    assert shut(phone.ask("GET", f"/classroom/{name}"))
    assert second.ask("GET", f"/classroom/{name}").status_code == 200
    kept = house.store.read_json(name, CLASS_FILE)
    house.store.write_json(name, CLASS_FILE, kept | {"opened_s": kept["opened_s"] - SCHOOL_DAY_S - 1.0})
    assert shut(second.ask("GET", f"/classroom/{name}"))
    assert Phone(app, "192.0.2.47").join(code).status_code == 422


def test_a_forged_or_borrowed_cookie_opens_no_class(app: Starlette) -> None:
    name, code = a_class(app)
    other, _ = a_class(app)
    phone = Phone(app)
    phone.join(code)
    (token, _) = phone.cookies[f"vibeorder_student_{name}"]
    phone.cookies[f"vibeorder_student_{other}"] = (token, "/classroom/")
    assert shut(phone.ask("GET", f"/classroom/{other}"))
    phone.cookies[f"vibeorder_student_{name}"] = ("x" * 32, "/classroom/")
    assert shut(phone.ask("GET", f"/classroom/{name}"))
    trainer = app.state.house.classes.open(other, 1)
    phone.cookies[f"vibeorder_student_{other}"] = (trainer, "/classroom/")
    assert shut(phone.ask("GET", f"/classroom/{other}")), "a trainer's token is no student's"


def test_the_trainers_screen_shows_the_secure_address_and_a_square_with_the_code(app: Starlette) -> None:
    name, code = a_class(app)
    page = asked_from("127.0.0.1", app, "GET", f"http://127.0.0.1:8765/classroom/{name}/board").text
    assert f"{LAN}/classroom/join" in page and code in page and 'class="qr"' in page
    assert isinstance(app.state.house.classes.get(name).school, SchoolClass)
