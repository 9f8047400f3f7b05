"""The house's own pages in a real browser: sizes, schemes, keyboard, and what axe finds."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsers import ARGUMENTS
from patience import PATIENCE_MS
from web_axe import complaints_of_axe
from web_server import SAMPLES, Running, running

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason="no Chromium on this machine")

PHONE, TABLET, PROJECTOR = (390, 844), (820, 1180), (1920, 1080)
PAGES = ("/", "/vehicles", "/vehicles/new", "/access", "/jobs", "/jobs/new", "/plan")
# WCAG 2.2, 2.5.8 asks for 24 px; greasy hands for 48 (common practice, no source). Not of links inside a sentence.
SMALL = """[...document.querySelectorAll('a, button, input:not([type=hidden]), select, textarea, summary')].filter(
  (e) => e.checkVisibility() && !e.matches('.skip, [type=checkbox], [type=radio]')
    && getComputedStyle(e).display !== 'inline' && e.getBoundingClientRect().height < 47.5).map((e) => e.outerHTML)"""


CUT = """[...document.querySelectorAll('select')].filter((list) => list.checkVisibility()).flatMap((list) => {
  const style = getComputedStyle(list), drawn = document.createElement('canvas').getContext('2d');
  drawn.font = style.font;
  const arrow = 18, room = list.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight) - arrow;
  return [...list.options].filter((one) => drawn.measureText(one.text).width > room).map((one) => one.text); })"""
"""The choices of a page's lists that are wider than the room beside the arrow."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("shop")) as one:
        for name in ("truck.toml", "electric.toml"):
            one.house.vehicles.save(tomllib.loads((SAMPLES / name).read_text("utf-8")))
        yield one


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield made
        made.close()


@pytest.fixture
def look(browser: Any, server: Running) -> Iterator[Any]:
    """Opens a page of the server; fails at the end if the browser's console said anything, or went elsewhere."""
    said: list[str] = []
    contexts = []

    def opened(path: str, size: tuple[int, int] = PHONE, scheme: str = "light", **more: Any) -> Any:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, **more
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda r: said.append(r.url) if not r.url.startswith(server.url) else None)
        page.goto(server.url + path)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert said == []


@pytest.mark.parametrize("size", [PHONE, PROJECTOR], ids=["phone", "projector"])
def test_pages_fit_are_easy_to_hit_and_pass_axe_in_light_and_dark(
    look: Any, server: Running, size: tuple[int, int]
) -> None:
    page = look("/", size)
    for path in PAGES:
        page.goto(server.url + path)
        assert not page.evaluate("document.documentElement.scrollWidth > innerWidth"), path
        assert page.evaluate(SMALL) == [], path
        assert complaints_of_axe(page) == [], path


@pytest.mark.parametrize("width", [390, 1280])
def test_no_list_cuts_the_words_of_its_choices(look: Any, server: Running, width: int) -> None:
    page = look("/", (width, 844))
    for path in (*PAGES, "/classroom", "/bench/runout", "/bench/half-turn", "/bench/mating"):
        page.goto(server.url + path)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate(CUT) == [], path
    page.evaluate("document.getElementById('direction').style.width = '9em'")
    assert page.evaluate(CUT), "what is cut must be found"


def test_rates_appear_while_a_vehicle_is_filled_in(look: Any) -> None:
    page = look("/", TABLET)
    assert not page.is_visible("#rates")
    page.fill("#tire_size", "275/65R18")
    page.wait_for_selector("#rates tbody tr")
    page.fill("#axle_ratio", "3.73")
    page.wait_for_selector("#rates tbody th:text-is('driveshaft')")
    row = page.locator("#rates tbody tr", has_text="driveshaft").inner_text().split()
    assert row[1:3] == ["2416", "40.3"]  # 3.73 x 26.8224 m/s / 2.4848 m, as in the server's own test
    page.fill("#axle_ratio", "37.3")
    page.wait_for_selector("text=did you mean 3.73?")


def test_only_the_fields_of_a_layout_are_shown(look: Any) -> None:
    page = look("/vehicles/new")
    assert page.is_visible("#gears") and not page.is_visible("#motor_ratio")
    page.select_option("#layout", "ev")
    assert (
        page.is_visible("#motor_ratio")
        and not page.is_visible("#gears")
        and not page.is_visible("#axle_ratio")
    )


def test_a_saved_vehicle_puts_the_form_away(look: Any) -> None:
    page = look("/")
    assert page.is_visible("#fill-in")
    page.select_option("#vehicle", index=1)
    assert not page.is_visible("#fill-in")
    page.wait_for_selector("#rates tbody tr")


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without scripts"])
def test_a_recording_is_sent_and_its_answer_read(look: Any, scripts: bool) -> None:
    page = look("/", java_script_enabled=scripts)
    page.set_input_files("#recording", str(SAMPLES / "tire.csv"))
    page.select_option("#vehicle", label="Ostrel Hauler, 275/65R18")
    page.fill("#gear", "8")
    page.click("#send")
    page.wait_for_url("**/result/**")
    assert "tire" in page.inner_text("main").lower()


def test_a_file_too_large_is_said_before_it_is_sent(look: Any) -> None:
    page = look("/")
    page.evaluate("document.getElementById('upload-form').dataset.most = '1000'")
    page.set_input_files("#recording", str(SAMPLES / "tire.csv"))
    page.click("#send")
    assert "cut it to the drive that shakes" in page.inner_text(".problem")


def test_the_keyboard_reaches_the_sheet_first_and_shows_where_it_is(look: Any) -> None:
    page = look("/", TABLET)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "recording"
    assert page.evaluate("parseFloat(getComputedStyle(document.activeElement).outlineWidth)") >= 3


def test_a_printed_sheet_has_no_buttons_and_a_white_ground(look: Any) -> None:
    page = look("/vehicles", TABLET, "dark")
    page.emulate_media(media="print", color_scheme="dark")
    assert not page.is_visible(".tabs") and not page.is_visible(".button")
    assert (
        page.evaluate("getComputedStyle(document.querySelector('.sheet')).backgroundColor")
        == "rgb(255, 255, 255)"
    )
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
