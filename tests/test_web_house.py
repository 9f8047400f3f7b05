"""Vehicles, rates and the pages that hold them; the command that opens them."""

import importlib.resources
import re
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from patience import PATIENCE_S
from starlette.datastructures import FormData
from web_server import SAMPLES, Running, asked_from, csrf_of

from vibeorder.errors import VehicleError, VibeorderError
from vibeorder.vehicle import parse_vehicle
from vibeorder.web.app import create_app
from vibeorder.web.house import House
from vibeorder.web.settings import Settings
from vibeorder.web.vehicle_form import profile_of, typed_of
from vibeorder.web.vehicles import Vehicles, toml_text

TRUCK: dict[str, str] = {
    "name": "shop truck",
    "layout": "rwd",
    "tire_size": "275/65R18",
    "axle_ratio": "3.73",
    "gears": "4.70 2.99 2.15 1.77 1.52 1.28 1.00",
    "cylinders": "8",
    "accessories": "alternator 2.8\nwater pump: 1.1",
    "limits": "pinion flange: 0.010 in",
}


@pytest.fixture
def client(server: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as one:
        yield one


def test_a_vehicle_that_is_filled_in_is_saved_as_a_profile_the_command_line_takes(
    client: httpx.Client, server: Running, tmp_path: Path
) -> None:
    answer = client.post("/vehicles", data={**TRUCK, "csrf_token": csrf_of(client)})
    assert answer.status_code == 303, answer.text
    page = answer.headers["location"].partition("?")[0]
    profile = client.get(f"{page}/profile.toml")
    assert profile.headers["content-disposition"].startswith("attachment")
    car = parse_vehicle(tomllib.loads(profile.text))
    assert (car.name, car.axle_ratio, car.gears[-1], car.cylinders) == ("shop truck", 3.73, 1.0, 8)
    assert [(one.name, one.ratio) for one in car.accessories] == [("alternator", 2.8), ("water pump", 1.1)]
    assert [(one.place, one.given) for one in car.limits] == [("pinion_flange", "0.010 in")]
    assert "shop truck" in client.get("/vehicles").text


def test_rates_are_those_of_the_handbook(client: httpx.Client) -> None:
    # 275/65R18 rolls 3.05 x (18 x 25.4 + 2 x 0.65 x 275) mm = 2.4848 m a turn (the convention of the
    # European Commission's CO2MPAS tool); 60 mph = 26.8224 m/s, so 10.794 Hz, and 3.73 times that at the shaft
    said = client.get("/api/rates", params={**TRUCK, "speed": "60 mph", "gear": "7"}).json()
    rows = {row[0]: row for row in said["rows"]}
    assert rows["tire or wheel"][2] == "10.8"
    assert rows["driveshaft"][2] == "40.3" and rows["driveshaft"][1] == "2416"
    assert rows["engine"][5] == "161.1"  # 4 x 40.264: eight cylinders, four strokes


def test_rates_appear_before_the_vehicle_is_complete(client: httpx.Client) -> None:
    said = client.get("/api/rates", params={"layout": "rwd", "tire_size": "275/65R18"}).json()
    assert [row[0] for row in said["rows"]] == ["tire or wheel"]
    assert any("axle ratio" in note for note in said["notes"])
    assert not any("[" in note for note in said["notes"])


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"tire_size": "abc"}, "abc"),
        ({"tire_size": ""}, "type the tire size"),
        ({"axle_ratio": "37.3"}, "did you mean 3.73"),
        ({"axle_ratio": "three"}, "not a number"),
        ({"gears": "1.0 2.0"}, "must fall"),
        ({"accessories": "alternator"}, "name and its ratio"),
        ({"limits": "flange 0.01"}, "place and limit"),
        ({"limits": "pinion flange: 0.01"}, "unit"),
        ({"layout": "boat"}, "boat"),
        ({"speed": "fast"}, "fast"),
        ({"gear": "12"}, "gear"),
        ({"vehicle": "../x"}, "saved vehicle"),
    ],
)
def test_a_rate_that_cannot_be_shown_says_which_entry_is_wrong(
    client: httpx.Client, typed: dict[str, str], words: str
) -> None:
    answer = client.get("/api/rates", params={**TRUCK, "gear": "", **typed})
    assert answer.json().keys() == {"error"}
    assert words.lower() in answer.json()["error"].lower()


def test_a_vehicle_that_cannot_be_saved_keeps_what_was_typed(client: httpx.Client) -> None:
    data = {**TRUCK, "axle_ratio": "37.3", "name": "<b>truck</b>", "csrf_token": csrf_of(client)}
    answer = client.post("/vehicles", data=data)
    assert answer.status_code == 422
    assert "did you mean 3.73" in answer.text
    assert 'value="37.3"' in answer.text and "&lt;b&gt;truck" in answer.text and "<b>truck" not in answer.text


def test_a_vehicle_needs_a_name_to_be_found_again(client: httpx.Client) -> None:
    answer = client.post("/vehicles", data={**TRUCK, "name": " ", "csrf_token": csrf_of(client)})
    assert answer.status_code == 422 and "give the vehicle a name" in answer.text.lower()


def test_a_vehicle_is_changed_and_removed(client: httpx.Client, server: Running) -> None:
    saved = server.house.vehicles.save(profile_of(FormData(TRUCK)))
    token = csrf_of(client)
    page = f"/vehicles/{saved.name}"
    assert client.post(page, data={**TRUCK, "axle_ratio": "4.10", "csrf_token": token}).status_code == 303
    assert server.house.vehicles.get(saved.name).vehicle.axle_ratio == 4.1
    assert 'value="4.1"' in client.get(page).text
    client.post(f"{page}/remove", data={"csrf_token": token})
    assert client.get(page).status_code == 422


@pytest.mark.parametrize(("pieces", "kept"), [("", None), ("1", 1), ("2", 2), ("3", 3)])
def test_the_pieces_of_the_driveshaft_are_asked_for_and_may_be_left_open(
    client: httpx.Client, server: Running, pieces: str, kept: int | None
) -> None:
    saved = server.house.vehicles.save(profile_of(FormData({**TRUCK, "pieces": pieces})))
    assert server.house.vehicles.get(saved.name).vehicle.shaft_pieces == kept
    field = (
        client.get(f"/vehicles/{saved.name}").text.split('<select id="pieces"', 1)[1].split("</select>", 1)[0]
    )
    assert re.findall(r'value="(\d?)" selected', field) == [pieces]


def test_rates_can_be_read_without_scripts(client: httpx.Client, server: Running) -> None:
    saved = server.house.vehicles.save(profile_of(FormData(TRUCK)))
    page = client.get(f"/vehicles/{saved.name}", params={"speed": "97 km/h", "gear": "6"}).text
    assert "at 97 km/h, gear 6" in page and "<td" in page
    wrong = client.get(f"/vehicles/{saved.name}", params={"speed": "97"})
    assert wrong.status_code == 200 and "has no unit" in wrong.text


def test_what_a_hand_written_profile_says_beyond_the_form_is_kept() -> None:
    written = {"vehicle": {"layout": "rwd"}, "tire": {"revs_per_mile": 655}, "axle": {"ratio": 3.73}}
    changed = profile_of(FormData({**typed_of(written), "axle_ratio": "4.1"}), written)
    assert changed["tire"] == {"revs_per_mile": 655} and changed["axle"]["ratio"] == 4.1


@pytest.mark.parametrize("name", ["truck.toml", "four_wheel.toml", "car.toml", "electric.toml"])
def test_a_profile_goes_through_the_form_unchanged(name: str) -> None:
    profile = tomllib.loads((SAMPLES / name).read_text("utf-8"))
    again = profile_of(FormData(typed_of(profile)), profile)
    assert parse_vehicle(again) == parse_vehicle(profile)
    assert parse_vehicle(tomllib.loads(toml_text(again))) == parse_vehicle(profile)


@pytest.mark.parametrize(
    "text",
    [
        "4.70 2.99 1.00",
        "4,70 2,99 1,00",
        "4.70, 2.99, 1.00",
        "4.70,2.99,1.00",
        "4,70; 2,99; 1,00",
        "4.70\n2.99\n1",
    ],
)
def test_gears_are_understood_however_they_are_set_apart(text: str) -> None:
    assert profile_of(FormData({**TRUCK, "gears": text}))["transmission"]["gears"] == [4.7, 2.99, 1.0]


def test_fields_of_another_layout_do_not_get_into_the_profile() -> None:
    typed = FormData({**TRUCK, "layout": "ev", "motor_ratio": "9.04", "front_ratio": "3.7"})
    assert set(profile_of(typed)) == {"vehicle", "tire", "axle", "motor", "limits"}
    assert "front_ratio" not in profile_of(typed)["axle"]


texts = st.text(max_size=30)
plain = st.one_of(
    texts, st.booleans(), st.integers(-(2**60), 2**60), st.floats(allow_nan=False, allow_infinity=False)
)
sections = st.dictionaries(st.text(min_size=1, max_size=12), plain | st.lists(plain, max_size=3), max_size=4)


@given(
    st.dictionaries(
        st.text(min_size=1, max_size=12), sections | st.lists(sections, min_size=1, max_size=2), max_size=4
    )
)
def test_what_is_written_as_toml_is_read_the_same(profile: dict[str, Any]) -> None:
    # property: the standard library's own reader (tomllib, TOML 1.0) gives back what was written
    assert tomllib.loads(toml_text(profile)) == profile


@given(
    st.dictionaries(
        st.sampled_from(sorted([*TRUCK, "strokes", "pieces", "rear_size", "low_range"])), st.text(max_size=60)
    )
)
def test_whatever_is_typed_is_a_vehicle_or_one_sentence(typed: dict[str, str]) -> None:
    try:
        parse_vehicle(profile_of(FormData({**TRUCK, **typed})))
    except VibeorderError as error:
        assert str(error).strip()


def test_vehicle_ids_are_never_paths(tmp_path: Path) -> None:
    vehicles = Vehicles(tmp_path / "vehicles", 2)
    (tmp_path / "secret.toml").write_text('[vehicle]\nlayout = "rwd"\n[tire]\nsize = "275/65R18"\n', "utf-8")
    for name in ("../secret", "/etc/passwd", "", "x" * 12):
        with pytest.raises(VehicleError):
            vehicles.get(name)
        with pytest.raises(VehicleError):
            vehicles.remove(name)
    assert (tmp_path / "secret.toml").exists()


def test_so_many_vehicles_and_no_more(tmp_path: Path) -> None:
    vehicles = Vehicles(tmp_path / "vehicles", 2)
    kept = [vehicles.save(profile_of(FormData(TRUCK))) for _ in range(2)]
    with pytest.raises(VehicleError, match="remove one first"):
        vehicles.save(profile_of(FormData(TRUCK)))
    vehicles.save(profile_of(FormData(TRUCK)), kept[0].name)
    assert len(vehicles.all()) == 2


def test_a_damaged_profile_does_not_hide_the_others(tmp_path: Path) -> None:
    vehicles = Vehicles(tmp_path / "vehicles", 9)
    vehicles.save(profile_of(FormData(TRUCK)))
    (vehicles.root / "000000000000.toml").write_text("[[[", "utf-8")
    (vehicles.root / "notes.toml").write_text("x", "utf-8")
    assert [one.vehicle.name for one in vehicles.all()] == ["shop truck"]


def test_cautions_stand_where_the_recording_is_chosen(client: httpx.Client) -> None:
    words = " ".join(re.sub(r"<[^>]+>", " ", client.get("/").text).split())
    assert "One person drives, a second one records." in words
    assert "flat on the seat track or the floor" in words and "Not in a hand." in words


@pytest.mark.parametrize("page", ["/", "/vehicles", "/vehicles/new", "/nothing"])
def test_every_page_has_a_language_a_title_one_heading_landmarks_and_a_skip_link(
    client: httpx.Client, page: str
) -> None:
    # WCAG 2.2: 3.1.1, 2.4.2, 1.3.1, 2.4.1
    text = client.get(page).text
    assert '<html lang="en">' in text and re.search(r"<title>[^<]+</title>", text)
    assert len(re.findall(r"<h1[ >]", text)) == 1
    assert all(f"<{mark}" in text for mark in ("header", "nav", "main", "footer"))
    assert 'class="skip" href="#main"' in text


@pytest.mark.parametrize("page", ["/", "/vehicles/new"])
def test_every_field_has_a_label(client: httpx.Client, page: str) -> None:
    text = client.get(page).text
    fields = re.findall(
        r'<(?:input|select|textarea)(?![^>]*type="(?:hidden|checkbox)")[^>]*\sid="([^"]+)"', text
    )
    assert len(fields) > 10
    assert [name for name in fields if f'<label for="{name}"' not in text] == []


# WCAG 2.2, 1.4.3: 4.5:1 for text; relative luminance as defined there. 1.4.11: 3:1 for the borders of fields.
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_ink_stands_out_from_paper(scheme: str) -> None:
    colours = _colours(scheme)
    for ground in ("paper", "paper-2"):
        for ink in ("ink", "ink-soft", "stamp", "grease", "grease-blue", "good"):
            assert _contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
        assert _contrast(colours["line"], colours[ground]) >= 3.0, ground
        assert _contrast(colours["focus"], colours[ground]) >= 3.0, ground
    for mark in ("grease", "grease-blue", "good"):
        assert _contrast(colours["on-mark"], colours[mark]) >= 4.5, mark
    assert _contrast(colours["ink"], colours["grease-yellow"]) >= 4.5


def test_every_asset_is_in_the_package() -> None:
    files = importlib.resources.files("vibeorder.web")
    for part, names in (
        ("templates", ("base.html", "upload.html")),
        ("static", ("sheet.css", "upload.js", "mark.svg")),
    ):
        assert all(files.joinpath(part, name).is_file() for name in names)
    data = tomllib.loads((Path(__file__).resolve().parents[1] / "pyproject.toml").read_text("utf-8"))
    listed = data["tool"]["setuptools"]["package-data"]["vibeorder"]
    assert {"web/templates/*", "web/static/*"} <= set(listed)


def test_the_folder_is_for_its_owner_only(tmp_path: Path) -> None:
    app = create_app(Settings(folder=tmp_path / "new" / "shop", workers=1))
    house: House = app.state.house
    assert house.settings.folder.stat().st_mode & 0o077 == 0


def test_a_page_that_is_not_there_says_so(tmp_path: Path) -> None:
    app = create_app(Settings(folder=tmp_path, workers=1))
    for path in ("/nothing", "/vehicles/000000000000", "/working/" + "0" * 24, "/again/x"):
        answer = asked_from("127.0.0.1", app, "GET", f"http://localhost{path}")
        assert answer.status_code in (404, 422) and "There is no such" in answer.text
    assert asked_from("127.0.0.1", app, "GET", "http://localhost/api/tasks/x").json().keys() == {"error"}


def test_serve_prints_its_address_opens_no_other_and_ends_on_interrupt(tmp_path: Path) -> None:
    import signal

    command = [
        sys.executable,
        "-m",
        "vibeorder.cli",
        "serve",
        "--port",
        "0",
        "--folder",
        str(tmp_path / "shop"),
    ]
    program = subprocess.Popen(
        command,
        cwd=Path(__file__).resolve().parents[1],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert program.stdout is not None
        first = program.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)", first)
        assert found, first
        assert "shop" in program.stdout.readline()
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                assert httpx.get(found[0]).status_code == 200
                break
            except httpx.ConnectError:
                assert time.monotonic() < until
                time.sleep(0.05)
        with pytest.raises(OSError), socket.create_connection(("127.0.0.2", int(found[1])), timeout=2):
            pass
    finally:
        program.send_signal(signal.SIGINT)
        _, said = program.communicate(timeout=PATIENCE_S)
    assert program.returncode in (0, 130) and said == ""


def test_a_taken_port_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from vibeorder.cli import main

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert main(["serve", "--port", port, "--folder", str(tmp_path)]) == 2
    assert f"--port {port} cannot be used" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from vibeorder.cli import main

    (tmp_path / "file").write_text("x")
    assert main(["serve", "--port", "0", "--folder", str(tmp_path / "file" / "shop")]) == 2
    assert "name a folder" in capsys.readouterr().err


def _colours(scheme: str) -> dict[str, str]:
    sheet = (Path(__file__).resolve().parents[1] / "vibeorder" / "web" / "static" / "sheet.css").read_text(
        "utf-8"
    )
    light, _, dark = sheet.partition("@media screen and (prefers-color-scheme: dark)")
    token = re.compile(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6})")
    found = dict(token.findall(light))
    return {**found, **dict(token.findall(dark.partition("\n}\n")[0]))} if scheme == "dark" else found


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of two sRGB colours, WCAG 2.2 "relative luminance" and "contrast ratio"."""

    def luminance(colour: str) -> float:
        shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_the_page_about_the_page_names_the_limits_and_lines_that_are_true() -> None:
    from vibeorder.serve_cli import _for_others, _greeting
    from vibeorder.web.access import TRIES_EACH, TRIES_TOGETHER
    from vibeorder.web.settings import Limits

    text = (Path(__file__).resolve().parents[1] / "docs" / "shop-page.md").read_text("utf-8")
    most = Limits()
    rows = {
        row.split("|")[1].strip(): row.split("|")[2].strip()
        for row in text.splitlines()
        if row.count("|") == 4
    }
    assert rows["one upload"] == f"{most.upload_bytes / 1e6:.0f} MB"
    assert rows["length after decoding"] == f"{most.decoded_s / 60:.0f} minutes"
    assert rows["a zip, unpacked"].startswith(f"{most.unpacked_bytes / 1e6:.0f} MB")
    assert rows["time for one upload's work"] == f"{most.task_wall_s:.0f} s, {most.task_cpu_s} s of processor"
    assert rows["memory of that work"] == f"{most.task_memory_bytes / 1e9:.0f} GB of addresses"
    assert rows["waiting"] == f"{most.waiting} tasks, {most.waiting_each} of one visitor"
    kept = f"{most.kept_days:.0f} days, the newest {most.kept_results}, {most.kept_bytes / 1e9:.0f} GB"
    assert f"| {kept} |" in text
    assert f"After {TRIES_EACH} wrong tries from one device, or {TRIES_TOGETHER} from" in " ".join(
        text.split()
    )
    assert f"up to {most.files} at once" in text
    assert _greeting(8765, Path("/home/shop/.local/share/vibeorder")) in text
    assert all(line.partition("http")[0] in text for line in _for_others(8765).splitlines())


def test_a_profile_changed_by_hand_is_read_anew(tmp_path: Path) -> None:
    vehicles = Vehicles(tmp_path / "vehicles", 9)
    saved = vehicles.save(profile_of(FormData(TRUCK)))
    assert vehicles.get(saved.name).vehicle.axle_ratio == 3.73
    path = vehicles.root / f"{saved.name}.toml"
    path.write_text(path.read_text("utf-8").replace("3.73", "4.100"), "utf-8")
    assert vehicles.get(saved.name).vehicle.axle_ratio == 4.1
    path.unlink()
    with pytest.raises(VehicleError, match="no such saved vehicle"):
        vehicles.get(saved.name)
