"""The shop page from end to end in headless Chromium: what a technician, a trainer and a student do with it.

Values read off: sample_data/README.md says what is wrong with each sample; a total reading is the highest minus the
lowest (circular run-out, ISO 1101). Skipped where there is no Chromium or no playwright.
"""

import os
import re
import shutil
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from browsers import ARGUMENTS
from patience import PATIENCE_MS, PATIENCE_S
from report_examples import bent_flange
from web_axe import complaints_of_axe
from web_server import SAMPLES, Running, csrf_of, finished, upload_sample

from vibeorder.report import as_html
from vibeorder.web import guard
from vibeorder.web.queue import TaskState

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine's path")

PHONE, TABLET, PROJECTOR = (390, 844), (820, 1180), (1920, 1080)
PICTURES = os.environ.get("VIBEORDER_PICTURES", "")
"""A folder to keep what the tests saw in, for a person to look at; none are kept without it."""
REFUSED = re.compile(r"Failed to load resource: the server responded with a status of 4(04|22)")
"""What Chromium itself writes about a page that is told to be wrong; no fault of the page."""

Opened = Callable[..., "Page"]


@pytest.fixture(scope="module")
def browser() -> Iterator["Browser"]:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with api.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: "Browser", server: Running) -> Iterator[Opened]:
    """Opens a page in a browser of its own; fails at the end if one of them complained or asked another host."""
    said: list[str] = []
    contexts = []

    def open_page(path: str, size: tuple[int, int] = PHONE, **more: Any) -> "Page":
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **more)
        context.set_default_timeout(PATIENCE_MS)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda one: said.append(f"{page.url}: {one.text}"))
        page.on("pageerror", lambda error: said.append(f"{page.url}: {error}"))
        page.on("request", lambda one: said.append(one.url) if not one.url.startswith(server.url) else None)
        page.goto(server.url + path)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert [one for one in said if not REFUSED.search(one)] == []


def fill_in_truck(page: "Page") -> None:
    """The sample's vehicle, typed and chosen as its file says."""
    told = tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8"))
    page.fill("#name", told["vehicle"]["name"])
    page.select_option("#layout", told["vehicle"]["layout"])
    page.fill("#tire_size", told["tire"]["size"])
    page.fill("#axle_ratio", str(told["axle"]["ratio"]))
    page.fill("#gears", " ".join(map(str, told["transmission"]["gears"])))
    page.fill("#cylinders", str(told["engine"]["cylinders"]))
    page.click("text=More: measured tire")
    page.fill("#accessories", "\n".join(f"{one['name']} {one['ratio']}" for one in told["accessory"]))
    page.fill("#limits", "\n".join(f"{place}: {limit}" for place, limit in told["limits"].items()))


def keep_picture(page: "Page", name: str) -> None:
    """Keep what stands on the screen at this moment as PNG, and the whole page, where a person asked for them."""
    if PICTURES:
        Path(PICTURES).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{PICTURES}/{name}-whole.png", full_page=True)
        page.screenshot(path=f"{PICTURES}/{name}.png")


def complaints_on_a_phone(page: "Page") -> list[tuple[str, str, str]]:
    """What axe finds in light and in dark, with all folds of the page open."""
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    return complaints_of_axe(page)


def test_a_shake_is_followed_from_the_recording_to_the_dial_and_into_its_job(opened: Opened) -> None:
    page = opened("/")
    page.set_input_files("#recording", str(SAMPLES / "pinion_flange.csv"))
    fill_in_truck(page)
    page.check("[name=keep_vehicle]")
    page.fill("#gear", "7")
    page.select_option("#phone_place", label="seat track, driver's side")
    page.fill("#complaint", "Booms and shakes from 50 mph")
    page.select_option("#job", "new")
    page.get_by_role("button", name="Find the part").click()
    page.wait_for_url("**/result/**")

    verdict = page.get_by_role("heading", level=1)
    assert "driveshaft, first order (1x)" in verdict.inner_text()
    box = verdict.bounding_box()
    assert box and box["y"] + box["height"] < PHONE[1], "read on a phone without scrolling"
    assert "Kept in job 1" in page.inner_text("main")
    page.click("summary:has-text('For and against: Driveshaft')")
    assert page.is_visible("dt:text-is('Movement')")

    page.get_by_role("link", name="Measure the shaft's runout").last.click()
    page.wait_for_url("**/bench/runout?**")
    assert "Suspect: driveshaft" in page.inner_text(".lead")
    assert page.input_value("#limit") == "0.020 in"
    assert page.is_checked("[name=unit][value=thou]"), "an inch dial is read in thousandths"
    for place, reading in enumerate([0, 2, 5, 7, 6, 4, 1, -1]):
        page.fill(f"#c{place}", str(reading))
    page.wait_for_selector("#sentence:has-text('8.0 thou')")  # 7 - (-1), while it is typed
    page.select_option("#job", "1")
    page.get_by_role("button", name="Work it out and keep it in the job").click()
    page.wait_for_selector(".done >> text=See the job")
    assert "within" in page.inner_text("#sentence")
    page.click("text=See the job")

    story = page.locator(".story")
    assert "Booms and shakes from 50 mph" in page.inner_text("main")
    assert story.locator("h3").all_inner_texts() == ["pinion_flange.csv", "Runout"]
    assert "8.0 thou" in story.inner_text()
    assert story.locator("svg[role=img]").count() >= 1


def test_nonsense_is_answered_with_one_sentence_and_the_recording_stays(opened: Opened) -> None:
    page = opened("/")
    page.set_input_files("#recording", str(SAMPLES / "tire.csv"))
    fill_in_truck(page)
    for field, nonsense, named in (
        ("tire_size", "banana", "banana"),
        ("axle_ratio", "37.3", "did you mean 3.73"),
        ("gears", "one two", "one"),
        ("gear", "R", "the lowest is 1"),
        ("speed", "fast", "fast"),
    ):
        kept = page.input_value(f"#{field}")
        page.fill(f"#{field}", nonsense)
        page.get_by_role("button", name="Find the part").click()
        page.wait_for_selector(f"[role=alert]:has-text('{named}')")
        assert page.locator("[role=alert]").count() == 1
        assert "Traceback" not in page.content()
        page.fill(f"#{field}", kept)
    page.fill("#gear", "8")
    page.get_by_role("button", name="Find the part").click()
    page.wait_for_url("**/result/**")
    assert "tire" in page.inner_text("h1")


def test_a_class_of_two_hears_looks_answers_and_sees_the_truth(opened: Opened) -> None:
    trainer = opened("/classroom", PROJECTOR)
    trainer.select_option("#questions", "1")
    trainer.get_by_role("button", name="Start the round").click()
    trainer.wait_for_selector("h1:has-text('Question 1 of 1')")
    code = trainer.inner_text(".board-code")

    students = []
    for nickname in ("Ada", "Bo"):
        page = opened("/classroom/join")
        page.fill("#code", code.lower())
        page.fill("#nickname", nickname)
        page.get_by_role("button", name="Join").click()
        page.wait_for_selector("h2:has-text('Your answer')")
        students.append(page)
    ada, bo = students
    for page in students:
        choices = page.locator("input[name=answer]").evaluate_all("all => all.map(one => one.value)")
        assert page.locator("#truth").count() == 0
    sound = "fetch(document.querySelector('audio').src).then((got) => got.headers.get('content-type'))"
    assert bo.evaluate(sound) in ("audio/wav", "audio/x-wav")
    assert complaints_on_a_phone(bo) == []
    for value in choices[:2]:  # one may think again
        ada.check(f"input[value='{value}']")
        ada.locator("section", has_text="Your answer").get_by_role("button").click()
        ada.wait_for_selector(".done >> text=You said")
    bo.check("input[name=answer] >> nth=-1")
    bo.get_by_role("button", name="That is my answer").click()
    trainer.wait_for_selector("#count:has-text('2 of 2 have answered')")

    trainer.get_by_role("button", name="Reveal the truth").click()
    truth = trainer.wait_for_selector("#truth ~ .verdict")
    assert truth
    for page in students:
        page.wait_for_selector("#truth ~ .verdict")
        assert page.inner_text("#truth ~ .verdict") == truth.inner_text()
        assert page.locator(".reasons li").count() >= 1
    assert complaints_on_a_phone(ada) == [] and complaints_on_a_phone(trainer) == []
    trainer.get_by_role("link", name="Scoreboard for the projector").click()
    trainer.wait_for_selector("h1:has-text('Final scores')")
    assert sorted(trainer.locator(".nickname").all_inner_texts()) == ["Ada", "Bo"]
    assert {*trainer.locator("tbody .points").all_inner_texts()} <= {"0", "0.5", "1"}
    trainer.set_viewport_size({"width": PROJECTOR[0], "height": PROJECTOR[1]})
    keep_picture(trainer, "board")


LESSON = {
    "vehicle": "invented-truck", "fault": "driveshaft@1", "strength": "clear", "kind": "held", "low": "60 mph",
    "high": "", "gear": "6", "road": "smooth", "duration": "20", "rate": "200",
}  # fmt: skip


def task_of(answer: httpx.Response) -> str:
    """The task that a form began."""
    assert answer.status_code == 303, answer.text
    return answer.headers["location"].rsplit("/", 1)[1]


@pytest.fixture(scope="module")
def addresses(server: Running) -> dict[str, str]:
    """Every page there is, with something on it: what it shows -> its address."""
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        one = upload_sample(
            client, server.house, "pinion_flange.csv", gear="7", job="new", complaint="A boom"
        )
        kept = client.get(f"/result/{one}") if finished(client, one)["state"] == "done" else None
        assert kept
        job = re.findall(r"/jobs/(\d+)", kept.text)[0]
        sent = {"csrf_token": csrf_of(client), "vehicle": server.house.vehicles.all()[0].name, "gear": "7"}
        both = [
            ("recording", (name, (SAMPLES / name).read_bytes()))
            for name in ("pinion_flange.csv", "healthy.csv")
        ]
        several = task_of(client.post("/upload", data=sent | {"job": job, "role": "after"}, files=both))
        lesson = task_of(client.post("/classroom/lesson", data=sent | LESSON))
        assert [finished(client, task)["state"] for task in (several, lesson)] == ["done", "done"]
        drives = {"before": f"{one}/1", "after": f"{several}/2", "suspect": ""}
        compared = task_of(client.post(f"/jobs/{job}/compare", data=sent | drives))
        planned = task_of(client.post("/plan", data=sent | {"speed": "60 mph", "complaint": "a boom"}))
        assert [finished(client, task)["state"] for task in (compared, planned)] == ["done", "done"]
        answers = {
            "q_speed": "60 mph",
            "q_load": "same",
            "q_felt": "seat",
            "check_rim": "yes",
            "note_rim": "true",
        }
        client.post(f"/jobs/{job}/intake", data=sent | answers)
        client.post(f"/jobs/{job}/checks", data=sent | answers)
        bad = task_of(client.post("/upload", data=sent, files={"recording": ("x.csv", b"nothing")}))
        assert finished(client, bad)["state"] == "failed"
    waiting = server.house.store.new()  # a task that goes on for as long as the page is looked at
    server.house.queue._set(waiting, TaskState("diagnose", "working", 0.4, "weighing every part"))
    sheets = ("runout", "half-turn", "mating", "effect", "balance", "angles", "shaft")
    return {
        "road test": "/",
        "road test again": f"/again/{one}",
        "result": f"/result/{one}",
        "several results": f"/result/{several}",
        "one of several": f"/result/{several}/2",
        "working": f"/working/{waiting}",
        "could not be read": f"/working/{bad}",
        "what to drive": f"/plan?job={job}",
        "drive card": f"/plan/{planned}",
        "before and after": f"/comparison/{compared}",
        "vehicles": "/vehicles",
        "vehicle": f"/vehicles/{sent['vehicle']}",
        "new vehicle": "/vehicles/new",
        "bench": "/bench",
        **{sheet: f"/bench/{sheet}" for sheet in sheets},
        "runout prefilled": f"/bench/runout?part=driveshaft&order=1&place=tube_rear&limit=0.020+in&from={one}",
        "jobs": "/jobs",
        "new job": "/jobs/new",
        "job": f"/jobs/{job}",
        "intake": f"/jobs/{job}/intake",
        "classroom": "/classroom",
        "join": "/classroom/join",
        "lesson": f"/classroom/{lesson}",
        "recorder": "/record",
        "recorder with a card": "/record#card=%5B%22step%201%3A%20Hold%2060%20mph.%22%5D",
        "recordings": "/recordings",
        "access": "/access",
        "nothing there": "/no-such-page",
    }


def test_every_page_fits_all_screens_leads_elsewhere_and_passes_axe_in_light_and_dark(
    opened: Opened, addresses: dict[str, str], server: Running
) -> None:
    page = opened("/", reduced_motion="reduce")
    ways = {"Road test", "Record", "Vehicles", "Bench", "Jobs", "Classroom"}
    found = {}
    for shows, address in addresses.items():
        if "#" in address:
            page.goto("about:blank")  # an address that differs behind "#" only would not be loaded
        page.goto(server.url + address)
        assert {*page.locator("nav.tabs a").all_inner_texts()} == ways, shows
        assert page.locator("h1").count() == 1, shows
        for width, height in (PROJECTOR, TABLET, PHONE):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (shows, width)
            keep_picture(page, f"{shows}-{width}".replace(" ", "-"))
        found[shows] = complaints_on_a_phone(page)
    assert {shows: said for shows, said in found.items() if said} == {}


ELSEWHERE = "a phone on the network"


def test_a_students_phone_joins_by_the_class_code_alone_and_reaches_nothing_else(
    opened: Opened, server: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    local = guard.is_local
    monkeypatch.setattr(
        guard,
        "is_local",
        lambda scope: local(scope) and ELSEWHERE.encode() not in dict(scope["headers"])[b"user-agent"],
    )  # as if it came over the network: told by what the browser calls itself
    trainer = opened("/classroom", PROJECTOR)
    trainer.select_option("#questions", "1")
    trainer.get_by_role("button", name="Start the round").click()
    trainer.wait_for_selector("h1:has-text('Question 1 of 1')")
    code = trainer.inner_text(".board-code")

    phone = opened("/", user_agent=ELSEWHERE)
    assert phone.url.endswith("/access") and phone.locator("nav.tabs").count() == 1
    assert complaints_on_a_phone(phone) == []
    phone.get_by_role("link", name="Join the class").click()
    assert complaints_on_a_phone(phone) == []
    phone.goto(f"{server.url}/classroom/join?code={code}")  # as the square on the board has it
    phone.fill("#nickname", "Cy")
    phone.get_by_role("button", name="Join").click()
    phone.wait_for_selector("h2:has-text('Your answer, Cy')")
    assert phone.locator("nav.tabs").count() == 0, "no sheet of the shop is offered"
    assert phone.evaluate("fetch(document.querySelector('audio').src).then((got) => got.status)") == 200
    assert complaints_on_a_phone(phone) == []
    keep_picture(phone, "student")
    for shut in ("/", "/jobs", "/vehicles", "/classroom", "/record"):
        phone.goto(server.url + shut)
        assert phone.url.endswith("/access"), shut
    trainer.wait_for_selector("text=Cy")
    trainer.get_by_role("link", name="Scoreboard for the projector").click()
    trainer.wait_for_selector(".board-code")
    assert complaints_on_a_phone(trainer) == []


def test_several_recordings_keep_their_letters_apart(opened: Opened, addresses: dict[str, str]) -> None:
    page = opened(addresses["several results"], TABLET)
    assert "From 2 recordings together" in page.inner_text("h1")
    page.locator(".each summary").nth(1).click()
    below = page.locator(".each details").nth(1)
    assert below.locator("svg.figure:visible").count() == 2
    letter = below.locator(".legend-button").first
    letter.click()
    said = below.locator(".said")
    assert said.inner_text().startswith(letter.locator(".letter").inner_text())
    assert page.inner_text("#pictures ~ .said") == "Touch a letter or a line.", (
        "the pictures above stay as they are"
    )


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("recordings", [1, 8])
def test_a_sheet_prints_on_two_pages_however_many_recordings_it_covers(
    browser: "Browser", tmp_path: Path, paper: str, recordings: int
) -> None:
    lines = tuple(
        f"drive-{n}.csv: {34 + n} dropped samples were filled in from their neighbours" for n in range(40)
    )
    alone = tuple(f"drive-{n}.csv alone: {bent_flange().verdict}" for n in range(recordings))
    several = {"together_with": [f"drive-{n}.csv" for n in range(1, recordings)]} if recordings > 1 else {}
    made = replace(
        bent_flange(),
        history=lines[: 5 * recordings],
        notes=alone,
        recording=bent_flange().recording | several,
    )
    (tmp_path / "sheet.html").write_text(as_html(made), "utf-8")
    page = browser.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto((tmp_path / "sheet.html").as_uri())
    printed = page.pdf(prefer_css_page_size=True, format=paper)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 2  # page objects, ISO 32000-1, 7.7.3.3
    for words in alone:
        assert words in page.inner_text("main"), "the screen has all of all"
    page.close()
