"""The classroom's pages on a real server: lessons, rounds, and a truth that stays unseen until it is revealed."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from browsers import ARGUMENTS
from patience import PATIENCE_MS, PATIENCE_S
from web_server import Running, csrf_of, finished, running

from vibeorder.classroom import FACTOR
from vibeorder.web.classes import CLASS_FILE
from vibeorder.web.tasks.lesson import QUESTION_FILE, TRUTH_FILE

CHROMIUM = "/usr/bin/chromium"
SENTINEL = "xyzzy-not-before-the-reveal"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("shop"), workers=2) as one:
        yield one


OPENED: list[httpx.Client] = []


@pytest.fixture(scope="module", autouse=True)
def closing() -> Iterator[None]:
    """Close every browser of these tests, so that a leak would be one of the server's own."""
    yield
    for client in OPENED:
        client.close()


def browser(server: Running) -> httpx.Client:
    client = httpx.Client(base_url=server.url, timeout=PATIENCE_S)
    OPENED.append(client)
    return client


def made(client: httpx.Client, path: str, **fields: str) -> str:
    """Send one of the trainer's forms and wait for what it makes."""
    answer = client.post(path, data={"csrf_token": csrf_of(client, "/classroom"), **fields})
    assert answer.status_code == 303, answer.text
    name = answer.headers["location"].rsplit("/", 1)[1]
    assert finished(client, name)["state"] == "done"
    return name


def a_round(trainer: httpx.Client, **fields: str) -> str:
    return made(
        trainer, "/classroom/round", **{"vehicle": "any", "questions": "2", "level": "first", **fields}
    )


def code_of(server: Running, name: str) -> str:
    kept: dict[str, Any] = server.house.store.read_json(name, CLASS_FILE)
    return str(kept["code"])


def come_in(server: Running, name: str, nickname: str) -> httpx.Client:
    student = browser(server)
    token = csrf_of(student, "/classroom/join")
    answer = student.post(
        "/classroom/join", data={"csrf_token": token, "code": code_of(server, name), "nickname": nickname}
    )
    assert answer.headers["location"] == f"/classroom/{name}", answer.text
    return student


def say(student: httpx.Client, name: str, answer: str, question: int = 1) -> httpx.Response:
    token = csrf_of(student, f"/classroom/{name}")
    data = {"csrf_token": token, "question": str(question), "answer": answer}
    return student.post(f"/classroom/{name}/answer", data=data)


def by_trainer(trainer: httpx.Client, name: str, what: str, **fields: str) -> httpx.Response:
    token = csrf_of(trainer, "/classroom")
    return trainer.post(f"/classroom/{name}/{what}", data={"csrf_token": token, **fields})


def truth_file(server: Running, name: str, number: int = 1) -> Path:
    return server.house.store.path(name) / str(number) / TRUTH_FILE


def marked(server: Running, name: str, questions: int = 2) -> None:
    """Put a mark into every text of the truths, so that any leak shows."""

    def mark(value: Any, number: int) -> Any:
        if isinstance(value, str):
            return f"{SENTINEL}-{number} {value}"
        return value

    for number in range(1, questions + 1):
        file = truth_file(server, name, number)
        truth = json.loads(file.read_text("utf-8"))
        truth["label"] = mark(truth["label"], number)
        truth["reasons"] = [mark(one, number) for one in truth["reasons"]]
        truth["why_not"] = {key: mark(text, number) for key, text in truth["why_not"].items()}
        for track in truth["tracks"]:
            track["name"], track["label"] = mark(track["name"], number), mark(track["label"], number)
        file.write_text(json.dumps(truth), "utf-8")


# lessons


@pytest.fixture(scope="module")
def lesson(server: Running) -> tuple[httpx.Client, str]:
    trainer = browser(server)
    name = made(
        trainer, "/classroom/lesson", vehicle="invented-truck", fault="driveshaft@1", strength="strong",
        kind="held", low="97 km/h", high="", gear="6", road="smooth", duration="20", rate="400",
    )  # fmt: skip
    return trainer, name


def test_a_lesson_shows_every_line_of_the_catalogue_each_with_a_switch(
    lesson: tuple[httpx.Client, str],
) -> None:
    trainer, name = lesson
    page = trainer.get(f"/classroom/{name}").text
    switches = re.findall(r'type="checkbox" id="line-(\d+)"', page)
    assert len(switches) == 12  # truck: 4 of the tire, 2 of the shaft, 5 of the engine, 1 alternator
    style = trainer.get("/static/classroom.css").text
    for number in switches:
        assert f'data-line="{number}"' in page
        assert f'#line-{number}:not(:checked)) [data-line="{number}"]' in style
    assert "Driveshaft, first order (1x)" in page
    assert "km/h" in page and "mph" not in page.replace("vibeorder", ""), "speeds in the unit typed"


def test_a_lessons_sound_is_heard_at_the_factor_times_the_shake(
    server: Running, lesson: tuple[httpx.Client, str]
) -> None:
    """Frequency from numpy's transform of the file that the page serves, against speed, tire and axle ratio."""
    import io

    import numpy as np
    import soundfile

    from vibeorder.vehicle import parse_vehicle

    trainer, name = lesson
    car = parse_vehicle(tomllib.loads(open_sample("truck.toml")), "truck")
    expected = 97 / 3.6 / car.tire.circumference_m * 3.73
    for file in ("shake.wav", "line-05.wav"):
        answer = trainer.get(f"/classroom/{name}/1/{file}")
        assert answer.headers["content-type"] == "audio/wav"
        data, rate = soundfile.read(io.BytesIO(answer.content))
        size = np.abs(np.fft.rfft(data * np.hanning(data.size)))
        heard = np.argmax(size) * rate / data.size
        assert heard == pytest.approx(FACTOR * expected, rel=0.03)  # the tire rolls up to 2.5% off


def open_sample(name: str) -> str:
    return (Path(__file__).resolve().parents[1] / "sample_data" / name).read_text("utf-8")


def test_the_recording_of_a_lesson_goes_back_into_the_tool(
    lesson: tuple[httpx.Client, str], tmp_path: Path
) -> None:
    from vibeorder.recording import read_recording

    trainer, name = lesson
    answer = trainer.get(f"/classroom/{name}/1/recording.csv")
    assert answer.headers["content-disposition"].startswith("attachment")
    file = tmp_path / "lesson.csv"
    file.write_bytes(answer.content)
    recording = read_recording(file)
    assert recording.duration_s == pytest.approx(20.0, abs=0.1) and recording.speed is not None


def test_the_form_offers_only_what_the_chosen_vehicle_has(server: Running) -> None:
    with browser(server) as trainer:
        electric = trainer.get("/classroom", params={"vehicle": "invented-electric"}).text
        assert 'value="motor@1"' in electric and 'value="engine@1"' not in electric
        assert 'name="gear"' not in electric


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"low": "45"}, "has no unit"),
        ({"low": "5 mph"}, "15 to 120 mph (24 to 193 km/h)"),
        ({"high": "46 mph"}, "moves no line far enough"),
        ({"gear": "1", "low": "60 mph", "high": "70 mph"}, "above 6500 rpm"),
        ({"gear": "12"}, "gear 12 does not exist"),
        ({"fault": "front_driveshaft@1"}, "has no such part"),
        ({"fault": "driveshaft@<script>"}, "Choose a part and an order from the list"),
        ({"road": "ice"}, "is not on the list"),
        ({"vehicle": "../../etc/passwd"}, "no such saved vehicle"),
        ({"duration": "9999"}, "is not on the list"),
    ],
)
def test_what_cannot_be_driven_is_said_on_the_form_with_everything_kept(
    server: Running, changed: dict[str, str], sentence: str
) -> None:
    with browser(server) as trainer:
        fields = {"vehicle": "invented-truck", "fault": "engine@1", "kind": "sweep", "low": "45 mph",
                  "high": "61 mph", "gear": "6", **changed}  # fmt: skip
        token = csrf_of(trainer, "/classroom")
        answer = trainer.post("/classroom/lesson", data={"csrf_token": token, **fields})
        assert answer.status_code == 422
        assert sentence in answer.text
        assert f'value="{fields["high"]}"' in answer.text
        assert "<script>" not in answer.text


def test_a_saved_vehicle_can_be_taught_with(server: Running) -> None:
    saved = server.house.vehicles.save(tomllib.loads(open_sample("four_wheel.toml")))
    with browser(server) as trainer:
        page = trainer.get("/classroom", params={"vehicle": saved.name}).text
        assert 'value="front_driveshaft@1"' in page


# the secret


def everything_before_the_reveal(client: httpx.Client, name: str) -> list[httpx.Response]:
    """Every address of a round that somebody may try, honest or not."""
    files = ("question.json", "truth.json", "truth.wav", "recording.csv", "shake.wav", "map-day.png", "line-01.wav",
             "request.json", "class.json", "lesson.json", "state.json", "..%2f1%2ftruth.json", "sheet.html",
             "result.json")  # fmt: skip
    paths = [f"/classroom/{name}", f"/classroom/{name}/board", f"/classroom/{name}/standing",
             f"/classroom/{name}/state", f"/api/tasks/{name}", f"/working/{name}", f"/result/{name}",
             f"/result/{name}/1", f"/again/{name}", f"/classroom/{name}/truth.json", "/classroom",
             "/classroom/join"]  # fmt: skip
    paths += [
        f"/{room}/{name}/{n}/{file}" for room in ("classroom", "result") for n in (1, 2) for file in files
    ]
    paths += [f"/result/{name}/{file}" for file in files]
    return [client.get(path) for path in paths]


def test_no_response_holds_the_truth_before_it_is_revealed(server: Running) -> None:
    trainer = browser(server)
    name = a_round(trainer)
    marked(server, name)
    student, stranger = come_in(server, name, "Ann"), browser(server)
    asked: dict[str, Any] = server.house.store.read_json(name, "request.json")
    seed = str(asked["arguments"]["seed"]).encode()
    sound = (truth_file(server, name).parent / "truth.wav").exists()
    for who in (trainer, student, stranger):
        answers = [*everything_before_the_reveal(who, name), say(student, name, "nothing@0")]
        assert any(one.status_code == 200 for one in answers)
        for one in answers:
            assert SENTINEL.encode() not in one.content, one.url
            assert seed not in one.content, one.url
            assert SENTINEL not in str(one.headers)
            if one.url.path.endswith(("truth.wav", ".json")):
                assert one.status_code in (303, 404), one.url
    assert by_trainer(trainer, name, "reveal").status_code == 303
    for who in (trainer, student):
        page = who.get(f"/classroom/{name}").text
        assert f"{SENTINEL}-1" in page and f"{SENTINEL}-2" not in page
    assert SENTINEL not in stranger.get(f"/classroom/{name}").text
    assert student.get(f"/classroom/{name}/1/truth.wav").status_code == (200 if sound else 404)
    assert student.get(f"/classroom/{name}/2/truth.wav").status_code == 404


def test_what_is_shown_of_a_riddle_has_no_room_for_its_truth(server: Running) -> None:
    """The file that pages draw a question from: its keys are these, its choices the catalogue's, unmarked."""
    name = a_round(browser(server), questions="1")
    question: dict[str, Any] = server.house.store.read_json(name, f"1/{QUESTION_FILE}")
    assert set(question) == {
        "vehicle", "facts", "picture", "moments", "rates", "strongest", "factor", "choices",
    }  # fmt: skip
    assert all(set(one) == {"part", "name", "orders"} for one in question["choices"])
    assert set(question["picture"]) == {"low_hz", "top_hz", "times_s", "spectrum", "speeds"}


def test_a_later_question_cannot_be_fetched_ahead(server: Running) -> None:
    trainer = browser(server)
    name = a_round(trainer)
    student = come_in(server, name, "Early")
    assert student.get(f"/classroom/{name}/1/recording.csv").status_code == 200
    assert student.get(f"/classroom/{name}/2/recording.csv").status_code == 404
    by_trainer(trainer, name, "reveal")
    by_trainer(trainer, name, "next")
    assert student.get(f"/classroom/{name}/2/recording.csv").status_code == 200


# a round


def test_a_class_plays_a_round_to_its_end(server: Running) -> None:
    trainer = browser(server)
    name = a_round(trainer)
    truths = [json.loads(truth_file(server, name, n).read_text("utf-8")) for n in (1, 2)]
    right = [("{}@{:g}".format(*t["group"][0]) if t["group"] else "nothing@0") for t in truths]
    clever, wrong, quiet = (come_in(server, name, who) for who in ("Clever", "Wrong", "Quiet"))
    for n in (1, 2):
        assert say(clever, name, right[n - 1], n).status_code == 303
        miss = "nothing@0" if truths[n - 1]["group"] else "tire_wheel@1"
        assert say(wrong, name, miss, n).status_code == 303
        said = clever.get(f"/classroom/{name}/state").json()
        assert said["answered"] == 2 and said["students"] == 3
        by_trainer(trainer, name, "reveal")
        assert "Right: 1 point." in clever.get(f"/classroom/{name}").text
        assert "Not this time." in wrong.get(f"/classroom/{name}").text
        assert "You did not answer this one." in quiet.get(f"/classroom/{name}").text
        assert clever.get(f"/classroom/{name}/state").json()["stamp"] != said["stamp"]
        late = say_late(quiet, name, right[n - 1], n)
        assert late.status_code == 422 and "this question is closed" in late.text.lower()
        if n == 1:
            assert by_trainer(trainer, name, "next").status_code == 303
    board = browser(server).get(f"/classroom/{name}/board").text
    rows = re.findall(r'class="nickname">([^<]+)</th>\s*<td class="number points">([\d.]+)<', board)
    assert rows == [("Clever", "2"), ("Quiet", "0"), ("Wrong", "0")]
    assert "Final scores" in board
    assert by_trainer(trainer, name, "next").status_code == 422


def say_late(student: httpx.Client, name: str, answer: str, question: int) -> httpx.Response:
    token = csrf_of(student, "/classroom/join")
    data = {"csrf_token": token, "question": str(question), "answer": answer}
    return student.post(f"/classroom/{name}/answer", data=data)


def test_only_the_trainers_browser_reveals_goes_on_and_takes_out(server: Running) -> None:
    trainer = browser(server)
    name = a_round(trainer, questions="1")
    student = come_in(server, name, "Ann")
    for what in ("reveal", "next", "remove"):
        for who in (student, browser(server)):
            assert by_trainer(who, name, what, nickname="Ann").status_code == 403
    forged = browser(server)
    forged.cookies.set(f"vibeorder_trainer_{name}", "x" * 32)
    assert by_trainer(forged, name, "reveal").status_code == 403
    assert "/reveal" not in student.get(f"/classroom/{name}").text
    assert by_trainer(trainer, name, "remove", nickname="Ann").status_code == 303
    assert "Join a class" in student.get(f"/classroom/{name}").text


def test_the_trainers_token_is_kept_from_scripts_and_other_pages_and_only_as_a_digest(
    server: Running,
) -> None:
    trainer = browser(server)
    token = csrf_of(trainer, "/classroom")
    answer = trainer.post("/classroom/round", data={"csrf_token": token, "questions": "1", "level": "first"})
    name = answer.headers["location"].rsplit("/", 1)[1]
    given = next(c for c in answer.headers.get_list("set-cookie") if "trainer" in c)
    for word in ("HttpOnly", "SameSite=strict", f"Path=/classroom/{name}"):
        assert word in given
    secret = given.split("=", 1)[1].split(";")[0]
    kept = (server.house.store.path(name) / CLASS_FILE).read_text("utf-8")
    assert secret not in kept and len(secret) >= 32
    finished(trainer, name)


def test_names_are_shown_as_text_and_not_twice(server: Running) -> None:
    trainer = browser(server)
    name = a_round(trainer, questions="1")
    come_in(server, name, "<b>Bo</b>")
    for path in (f"/classroom/{name}", f"/classroom/{name}/board", f"/classroom/{name}/standing"):
        page = trainer.get(path).text
        assert "<b>Bo</b>" not in page and "&lt;b&gt;Bo&lt;/b&gt;" in page
    for nickname, sentence in (("<B>BO</B>", "already"), ("x" * 21, "longer than 20"), ("  ", "type a name")):
        student = browser(server)
        data = {"csrf_token": csrf_of(student, "/classroom/join"), "code": code_of(server, name).lower(),
                "nickname": nickname}  # fmt: skip
        answer = student.post("/classroom/join", data=data)
        assert answer.status_code == 422 and sentence in answer.text.lower()


def test_a_wrong_code_and_a_lost_class_are_said(server: Running) -> None:
    with browser(server) as student:
        data = {"csrf_token": csrf_of(student, "/classroom/join"), "code": "AAAAA", "nickname": "Ann"}
        answer = student.post("/classroom/join", data=data)
        assert answer.status_code == 422 and "No class has that code" in answer.text
        assert student.get("/classroom/" + 24 * "0").status_code == 404
        assert student.get("/classroom/" + 24 * "0" + "/board").status_code == 404


def test_several_students_answer_at_once_and_none_is_lost(server: Running) -> None:
    from concurrent.futures import ThreadPoolExecutor

    name = a_round(browser(server), questions="1")
    students = [come_in(server, name, f"Student {i}") for i in range(12)]
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda one: say(one, name, "tire_wheel@1").status_code, students))
    assert answers == [303] * 12
    assert students[0].get(f"/classroom/{name}/state").json()["answered"] == 12


# in a browser


@pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="needs Chromium")
def test_lines_are_switched_by_keyboard_and_the_page_has_no_fault(
    server: Running, lesson: tuple[httpx.Client, str]
) -> None:
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    _, name = lesson
    troubles: list[str] = []
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        for scheme, size in (
            ("light", {"width": 390, "height": 844}),
            ("dark", {"width": 1920, "height": 1080}),
        ):
            page = chromium.new_page(viewport=size, color_scheme=scheme)  # type: ignore[arg-type]
            page.set_default_timeout(PATIENCE_MS)
            page.on("console", lambda said: troubles.append(said.text) if said.type == "error" else None)
            page.on("pageerror", lambda error: troubles.append(str(error)))
            page.goto(f"{server.url}/classroom/{name}")
            lines = page.locator("figure svg:visible .track:visible")
            assert lines.count() == 0, "none is shown at first"
            page.locator("#line-5").focus()
            page.keyboard.press("Space")
            assert lines.count() == 2, "its course and its name"
            page.get_by_role("button", name="Next line").focus()
            page.keyboard.press("Enter")
            assert page.locator(".lines input:checked").count() == 1
            page.locator("#reading-line").focus()
            before = page.inner_text("#reading-hz")
            for _ in range(5):
                page.keyboard.press("ArrowRight")
            assert page.inner_text("#reading-hz") != before
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing sticks out"
            assert not Axe().run(page).response["violations"]
            page.close()
        chromium.close()
    assert troubles == []
