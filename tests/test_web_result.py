"""The result page: verdict first, a button into the right sheet, files to keep, nothing that runs."""

import csv
import io
import json
import pickle
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from browsers import ARGUMENTS
from patience import PATIENCE_MS, PATIENCE_S
from report_examples import audio_diagnosis, bent_flange, healthy_drive, suspect, twins
from starlette.applications import Starlette
from web_axe import complaints_of_axe
from web_server import asked_from, finished, running, upload_sample

from vibeorder.diagnosis.result import Diagnosis, RunoutCheck
from vibeorder.report import as_dict, as_html, as_json
from vibeorder.web.app import create_app
from vibeorder.web.settings import Settings
from vibeorder.web.store import Store
from vibeorder.web.view import write_view

if TYPE_CHECKING:
    from playwright.sync_api import Browser

HERE = "http://127.0.0.1:8765"
BAD = '"><script>alert(1)</script><img src=x onerror=alert(2)>'
TRUCK = {
    "vehicle": {"name": "Marlow half-ton", "layout": "rwd"},
    "tire": {"size": "275/65R18"},
    "axle": {"ratio": 3.73},
    "limits": {"driveshaft_rear": "0.6 mm"},
}


@pytest.fixture
def app(tmp_path: Path) -> Starlette:
    return create_app(Settings(folder=tmp_path, workers=1))


JOINT = replace(
    bent_flange(), verdict="From 3 recordings together: it is the driveshaft.",
    recording={"source": "truck.csv", "together_with": ["b.csv"]},
)  # fmt: skip


def keep(
    app: Starlette, made: Sequence[Diagnosis | str], together: Diagnosis | None = None, **asked: Any
) -> str:
    """What a child leaves behind: one folder a diagnosis; a sentence stands for one that failed."""
    store: Store = app.state.house.store
    name = store.new()
    told: list[dict[str, object]] = []
    for number, one in enumerate(made, 1):
        entry: dict[str, object] = {"number": number, "name": f"drive-{number}.csv"}
        if isinstance(one, str):
            entry["error"] = one
        else:
            put(store.path(name) / str(number), one, as_json(one))
            entry["verdict"] = one.verdict
        told.append(entry)
    if together is not None:
        alone = [one for one in made if not isinstance(one, str)]
        put(store.path(name) / "0", together, as_json(alone, together))
    verdict = None if together is None else together.verdict
    store.write_json(name, "summary.json", {"recordings": told, "together": verdict})
    store.write_json(name, "request.json", {"kind": "diagnose", "arguments": {"vehicle": TRUCK, **asked}})
    return name


def put(own: Path, one: Diagnosis, content: str) -> None:
    own.mkdir()
    (own / "diagnosis.json").write_text(content, "utf-8")
    (own / "sheet.html").write_text(sheet_of(pickle.dumps(one)), "utf-8")
    write_view(one, own)


@cache
def sheet_of(pickled: bytes) -> str:
    """The sheet of a diagnosis, drawn once."""
    return as_html(pickle.loads(pickled))


def get(app: Starlette, path: str) -> httpx.Response:
    return asked_from("127.0.0.1", app, "GET", HERE + path)


def links(page: str) -> list[str]:
    return [link.replace("&amp;", "&") for link in re.findall(r'href="(/bench/[^"]+)"', page)]


def test_the_verdict_is_the_heading_and_comes_before_everything_else(app: Starlette) -> None:
    page = get(app, f"/result/{keep(app, [bent_flange()])}").text
    assert page.count("<h1") == 1
    order = [
        page.index(text)
        for text in (
            bent_flange().verdict + "</span></h1>", "Suspects, likeliest first", "What to check first</h2>",
            "the parts&#39; rates" if "the parts&#39; rates" in page else "the parts' rates",
            "Found in the recording", "Vehicle, speed, gear and tire", "Cautions", "To keep",
        )
    ]  # fmt: skip
    assert order == sorted(order)


def test_a_first_order_driveshaft_has_a_button_into_the_runout_sheet_with_the_makers_limit(
    app: Starlette,
) -> None:
    name = keep(app, [bent_flange()])
    page = get(app, f"/result/{name}").text
    first = page[page.index('id="first"') : page.index('id="pictures"')]
    runout, half_turn = links(first)
    assert runout == f"/bench/runout?part=driveshaft&order=1&from={name}&place=tube_rear&limit=0.6+mm"
    assert half_turn.startswith("/bench/half-turn?part=driveshaft&order=1")
    assert "/bench/balance" not in page


def test_a_second_order_driveshaft_has_a_button_to_the_joint_angles_though_no_runout_is_warranted(
    app: Starlette,
) -> None:
    angles = replace(
        bent_flange(),
        suspects=(suspect("driveshaft", 2.0, 0.99, 80.6),),
        nothing_found_probability=0.01,
        runout_check=RunoutCheck(False, "", "not found with a dial indicator"),
    )
    page = get(app, f"/result/{keep(app, [angles])}").text
    first = page[page.index('id="first"') : page.index('id="pictures"')]
    assert [link.partition("?")[0] for link in links(first)] == ["/bench/angles"]


def test_nothing_is_to_be_measured_where_nothing_that_turns_explains_it(app: Starlette) -> None:
    page = get(app, f"/result/{keep(app, [healthy_drive()])}").text
    assert "not warranted" in page
    assert not links(page)


def test_twins_share_a_row_and_the_next_drive_is_told(app: Starlette) -> None:
    page = get(app, f"/result/{keep(app, [twins()])}").text
    assert "Cannot be told apart" in page
    assert "Coast from 65 to 45 mph in neutral." in page
    row = page[page.index('class="suspect"') :]
    row = row[: row.index("</li>")]
    assert "driveshaft 1x" in row and "engine 1x" in row and "95%" in row
    first = page[page.index('id="first"') : page.index('id="drive"')]
    assert first.count("If it is the ") == 2, "neither of two that cannot be told apart is left out"
    assert first.count(">First check<") == 2


def test_a_relative_size_is_not_given_in_g(app: Starlette) -> None:
    page = get(app, f"/result/{keep(app, [audio_diagnosis()])}").text
    suspects = page[page.index('id="suspects"') : page.index('id="first"')]
    assert "(relative)" in suspects
    assert " g (" not in suspects


def test_what_a_file_or_a_customer_says_stays_text(app: Starlette) -> None:
    evil = suspect(f"accessory:{BAD}", 1.0, 0.9, 35.0)
    odd = replace(
        bent_flange(), verdict=BAD, vehicle_name=BAD, recording={"source": BAD}, history=(BAD,), notes=(BAD,),
        suspects=(replace(evil, label=BAD, causes=(BAD,), first_check=BAD), *bent_flange().suspects[1:]),
    )  # fmt: skip
    name = keep(app, [odd, odd], complaint=BAD, phone_place=BAD)
    for path in (f"/result/{name}", f"/result/{name}/1"):
        page = get(app, path).text
        assert "<script>alert" not in page and "<img" not in page
        assert re.findall(r"<script[^>]*>", page) in ([], ['<script src="/static/result.js" defer>'])
        assert "style=" not in page


def test_several_recordings_have_one_verdict_and_each_its_own_figures_below(app: Starlette) -> None:
    bad = "drive-2.csv has 1 row of numbers"
    name = keep(app, [bent_flange(), bad, twins(), healthy_drive()], together=JOINT)
    page = get(app, f"/result/{name}").text
    assert re.findall(r"<h1.*?</h1>", page, re.DOTALL)[0].count("From 3 recordings together") == 1
    below = page[page.index('id="each"') :]
    shown = [below.index(one.verdict) for one in (bent_flange(), twins(), healthy_drive())]
    assert shown == sorted(shown) and bad in below
    for number in (1, 3, 4):
        assert (
            f'href="/result/{name}/{number}/map-day.png"' in below
            and f'href="/result/{name}/{number}"' in below
        )
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids)), "drawings of several recordings keep their ids apart"
    assert twins().verdict in get(app, f"/result/{name}/3").text
    failed = get(app, f"/result/{name}/2")
    assert failed.status_code == 422 and "1 row of numbers" in failed.text
    assert get(app, f"/result/{name}/5").status_code == 404


def test_what_is_downloaded_from_a_joint_result_covers_all_of_it(app: Starlette) -> None:
    name = keep(app, [bent_flange(), healthy_drive()], together=JOINT)
    answer = get(app, f"/result/{name}/result.json")
    assert answer.json()["verdict"] == JOINT.verdict and len(answer.json()["results"]) == 2
    assert 'filename="truck-and-others-result.json"' in answer.headers["content-disposition"]
    assert JOINT.verdict in get(app, f"/result/{name}/sheet.html").text
    alone = get(app, f"/result/{name}/2/result.json").json()
    assert alone["verdict"] == healthy_drive().verdict and "results" not in alone


def test_where_only_one_of_several_could_be_judged_that_one_is_the_result(app: Starlette) -> None:
    name = keep(app, ["drive-1.csv is empty", bent_flange()])
    page = get(app, f"/result/{name}").text
    assert bent_flange().verdict in page and "Left out:</strong> drive-1.csv is empty." in page
    assert "All together" not in page
    assert get(app, f"/result/{name}/suspects.csv").status_code == 200


def test_the_json_is_that_of_the_command_line(app: Starlette) -> None:
    answer = get(app, f"/result/{keep(app, [bent_flange()])}/result.json")
    assert answer.json() == json.loads(json.dumps(as_dict(bent_flange())))
    assert answer.headers["content-disposition"] == 'attachment; filename="truck-result.json"'


def test_suspects_and_spectrum_come_as_tables(app: Starlette) -> None:
    name = keep(app, [bent_flange(), twins()])
    for number, diagnosis in ((1, bent_flange()), (2, twins())):
        answer = get(app, f"/result/{name}/{number}/suspects.csv")
        assert answer.headers["content-type"].startswith("text/csv")
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        assert [float(row["probability"]) for row in rows] == pytest.approx(
            sorted((one.probability for one in diagnosis.suspects), reverse=True), rel=1e-4
        )
    assert get(app, f"/result/{name}/1/spectrum.csv").text.startswith("frequency_hz,")


def test_the_sheet_is_shown_in_a_sandbox_and_can_be_saved(app: Starlette) -> None:
    name = keep(app, [bent_flange()])
    shown = get(app, f"/result/{name}/sheet.html")
    policy = shown.headers["content-security-policy"]
    # CSP Level 3 (W3C): sandbox without allow-scripts runs none; default-src 'none' fetches nothing
    assert (
        policy.startswith("sandbox; default-src 'none'") and "allow-" not in policy and "script" not in policy
    )
    assert shown.headers["content-disposition"].startswith("inline")
    saved = get(app, f"/result/{name}/sheet.html?save=1")
    assert saved.headers["content-disposition"] == 'attachment; filename="truck-sheet.html"'
    assert saved.text == shown.text == as_html(bent_flange())


def test_the_name_of_a_saved_file_holds_plain_letters_only(app: Starlette) -> None:
    name = keep(app, [bent_flange()])
    view = app.state.house.store.path(name) / "1" / "view.json"
    odd = {**json.loads(view.read_text("utf-8")), "source": '../../étude "x"\r\nSet-Cookie: a=b.csv'}
    view.write_text(json.dumps(odd), "utf-8")
    answer = get(app, f"/result/{name}/suspects.csv")
    assert "set-cookie" not in answer.headers or "a=b" not in answer.headers["set-cookie"]
    saved = re.fullmatch(r'attachment; filename="([A-Za-z0-9.-]+)"', answer.headers["content-disposition"])
    assert saved and ".." not in saved.group(1)


@pytest.mark.parametrize("file", ["request.json", "view.json", "..%2fsummary.json", "state.json", "x"])
def test_only_what_is_meant_to_be_carried_away_can_be_fetched(app: Starlette, file: str) -> None:
    assert get(app, f"/result/{keep(app, [bent_flange()])}/1/{file}").status_code == 404


def test_a_link_that_a_hostile_file_planted_is_not_followed(app: Starlette, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("of the house", "utf-8")
    name = keep(app, [bent_flange()])
    planted = app.state.house.store.path(name) / "1" / "suspects.csv"
    planted.unlink()
    planted.symlink_to(secret)
    answer = get(app, f"/result/{name}/suspects.csv")
    assert answer.status_code == 404
    assert "of the house" not in answer.text


@pytest.mark.parametrize("name", ["0" * 24, "x", "%2e%2e"])
def test_an_unknown_result_is_a_sentence(app: Starlette, name: str) -> None:
    answer = get(app, f"/result/{name}")
    assert answer.status_code == 404
    assert "Traceback" not in answer.text


def test_a_result_that_failed_says_why_and_one_that_is_lost_says_so(app: Starlette) -> None:
    store: Store = app.state.house.store
    failed, lost = store.new(), store.new()
    store.write_json(failed, "state.json", {"kind": "diagnose", "state": "failed", "error": "no rows in it"})
    answer = get(app, f"/result/{failed}")
    assert answer.status_code == 422 and "No rows in it" in answer.text
    assert "send it again" in get(app, f"/result/{lost}").text


def test_an_uploaded_sample_comes_out_as_a_page_with_everything_to_keep(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        name = upload_sample(client, server.house, "pinion_flange.csv", gear="7")
        assert finished(client, name)["state"] == "done"
        page = client.get(f"/result/{name}")
        assert page.status_code == 200 and "driveshaft, first order (1x)" in page.text
        for address in set(re.findall(r'href="(/result/[^"]+)"', page.text)):
            assert client.get(address).status_code == 200, address
        assert client.get(f"/result/{name}/1/map-day.png").content.startswith(b"\x89PNG")


@pytest.fixture(scope="module")
def browser() -> Iterator["Browser"]:
    drive = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not Path("/usr/bin/chromium").exists():
        pytest.skip("there is no Chromium at /usr/bin/chromium")
    with drive.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield chromium
        chromium.close()


def test_the_sheet_prints_on_two_pages_of_either_paper(browser: "Browser") -> None:
    page = browser.new_page()
    page.set_default_timeout(PATIENCE_MS)
    for diagnosis in (bent_flange(), twins(), healthy_drive()):
        page.set_content(as_html(diagnosis))
        for paper in ("A4", "Letter"):
            printed = page.pdf(format=paper)
            assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 2  # ISO 32000-1, 7.7.3.3: page objects
    page.close()


def test_a_line_says_what_it_is_to_mouse_finger_and_keyboard(browser: "Browser", tmp_path: Path) -> None:
    with running(tmp_path) as server:
        name = keep(server.app, [bent_flange()])
        context = browser.new_context(viewport={"width": 1280, "height": 900}, has_touch=True)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        faults: list[str] = []
        page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(f"{server.url}/result/{name}")
        said = page.locator("#pictures ~ .said")
        page.locator(".legend-button").first.focus()
        assert said.inner_text().startswith("A: driveshaft 1x: measured at 40.31")
        page.keyboard.press("Enter")
        assert page.locator(".legend-button").first.get_attribute("aria-pressed") == "true"
        page.locator('.figure-wide .lettered[data-letter="B"]').first.tap()
        assert said.inner_text().startswith("B: ")
        page.locator(".figure-wide .peg:not([data-letter])").first.hover()
        assert "no line stands out at its" in said.inner_text()
        assert faults == []
        context.close()


@pytest.mark.parametrize("width", [390, 1920])
def test_the_page_fits_the_screen_and_axe_finds_nothing_in_light_and_dark(
    browser: "Browser", tmp_path: Path, width: int
) -> None:
    with running(tmp_path) as server:
        name = keep(server.app, [twins(), healthy_drive()], complaint="shakes at 60 mph")
        context = browser.new_context(viewport={"width": width, "height": 844}, bypass_csp=True)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        for path in (f"/result/{name}", f"/result/{name}/1"):
            page.goto(server.url + path)
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            assert complaints_of_axe(page) == []
        context.close()
