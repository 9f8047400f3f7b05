"""The phone recorder: what it keeps, what it sends, and that neither is lost or there twice, whatever breaks."""

import json
import re
import secrets
import socket
import ssl
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import numpy as np
import pytest
from browsers import ARGUMENTS
from cryptography import x509
from patience import PATIENCE_MS, PATIENCE_S
from recorder_pieces import digest_of, pieces_of, sha256
from web_axe import complaints_of_axe
from web_server import SAMPLES, Running, asked_from, running

from vibeorder.recording import marks_of, read_recording, sound_of, steps_of
from vibeorder.web.app import create_app
from vibeorder.web.certificate import CERTIFICATE_NAME, KEY_NAME, own_certificate, tls_context
from vibeorder.web.network import QUIET_MODULES, qr_text, with_code
from vibeorder.web.settings import Limits, Settings

PHONE_ADDRESS = "192.0.2.44"  # TEST-NET-1, RFC 5737


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    import tomllib

    with running(tmp_path_factory.mktemp("shop")) as one:
        one.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
        yield one


@pytest.fixture
def client(server: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as one:
        one.headers["X-CSRF-Token"] = one.get("/api/record/hello").json()["csrf_token"]
        yield one


def drive(seed: int = 1, seconds: int = 4) -> list[bytes]:
    """A short recording in pieces, another one for each seed."""
    times = np.arange(seconds * 50) / 50
    samples = np.random.default_rng(seed).normal(0, 0.3, (3, times.size)) + np.array([[0], [0], [9.81]])
    return pieces_of(times, samples, marks=(1.0 + seed / 1000,))


def put(client: httpx.Client, name: str, number: int, body: bytes, digest: str = "") -> httpx.Response:
    headers = {"X-SHA256": digest or sha256(body)}
    return client.put(f"/api/record/{name}/pieces/{number}", content=body, headers=headers)


def finish(client: httpx.Client, name: str, made: list[bytes]) -> httpx.Response:
    return client.post(f"/api/record/{name}/finish", json={"pieces": len(made), "sha256": digest_of(made)})


def new_name() -> str:
    return secrets.token_hex(16)


def test_each_piece_is_acknowledged_once_it_is_kept_and_kept_once(
    client: httpx.Client, server: Running
) -> None:
    made, name = drive(), new_name()
    for number in (2, 0, 1):
        answer = put(client, name, number, made[number])
        assert answer.status_code == 201 and answer.json() == {"kept": number, "sha256": sha256(made[number])}
    assert put(client, name, 2, made[2]).status_code == 200
    assert client.get(f"/api/record/{name}").json() == {"pieces": [0, 1, 2]}
    held = sorted(path.name for path in (server.house.recordings.root / name).iterdir())
    assert held == ["000000.piece", "000001.piece", "000002.piece"]


def test_a_damaged_piece_is_not_kept_and_another_one_under_its_number_is_refused(
    client: httpx.Client,
) -> None:
    made, name = drive(), new_name()
    damaged = made[1][:-1] + bytes([made[1][-1] ^ 1])
    assert put(client, name, 1, damaged, sha256(made[1])).status_code == 422
    assert client.get(f"/api/record/{name}").json() == {"pieces": []}
    assert put(client, name, 1, b"not a piece").status_code == 422
    assert put(client, name, 1, made[1]).status_code == 201
    assert put(client, name, 1, damaged).status_code == 409
    assert put(client, name, 4000, made[1]).status_code == 422


def test_a_recording_is_put_together_once_and_only_when_all_of_it_is_here(
    client: httpx.Client, server: Running
) -> None:
    made, name = drive(seed=7), new_name()
    for number in (0, 1, 3):
        put(client, name, number, made[number])
    answer = finish(client, name, made)
    assert answer.status_code == 409 and answer.json()["missing"] == [2, 4]
    put(client, name, 2, made[2]), put(client, name, 4, made[4])
    wrong = client.post(f"/api/record/{name}/finish", json={"pieces": 5, "sha256": sha256(b"")})
    assert wrong.status_code == 422
    first = finish(client, name, made).json()
    path = server.house.recordings.zip_path(name)
    before = path.stat().st_mtime_ns
    assert finish(client, name, made).json() == first and path.stat().st_mtime_ns == before
    assert put(client, name, 2, made[2]).status_code == 200, "sent again after the end: it is here"
    assert put(client, name, 5, made[4]).status_code in (409, 422)
    assert client.get(f"/api/record/{name}").json() == {"pieces": [0, 1, 2, 3, 4]}
    assert sorted(one.name for one in path.parent.iterdir()) == ["done.json", "recording.zip"]
    assert marks_of(path) == pytest.approx((1.007,))


@pytest.mark.parametrize("at", ["before it says done", "before the pieces are dropped"])
def test_a_server_stopped_while_it_puts_together_goes_on_and_leaves_nothing_lying(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    from vibeorder.web import recordings

    made, name = drive(seed=9), new_name()
    shop = recordings.Recordings(tmp_path / "r", Limits())
    for number, body in enumerate(made):
        shop.keep(name, number, body, sha256(body))

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(recordings, "_write" if at == "before it says done" else "_drop_pieces", stopped)
        shop.finish(name, len(made), digest_of(made))
    (shop.root / name / ".000002.piece").write_bytes(b"half")
    again = recordings.Recordings(tmp_path / "r", Limits())
    assert again.kept(name) == list(range(len(made)))
    again.finish(name, len(made), digest_of(made))
    assert sorted(one.name for one in (shop.root / name).iterdir()) == ["done.json", "recording.zip"]
    assert marks_of(again.zip_path(name)) == pytest.approx((1.009,))


def test_the_file_is_fetched_and_judged_from_the_list(client: httpx.Client, server: Running) -> None:
    made, name = drive(seed=3), new_name()
    for number, body in enumerate(made):
        put(client, name, number, body)
    said = finish(client, name, made).json()
    fetched = client.get(said["file"])
    assert fetched.headers["content-type"] == "application/zip"
    assert fetched.content == server.house.recordings.zip_path(name).read_bytes()
    assert said["next"] in client.get("/recordings").text
    to_form = [client.get(said["next"]).headers["location"] for _ in range(2)]
    assert to_form[0] == to_form[1], "asked twice, it is one upload"
    assert "recording 2026-09-21 16.13.zip" in client.get(to_form[0]).text


@pytest.mark.parametrize("name", ["..%2f..", "A" * 32, "0" * 31, "0" * 33, "%2e%2e%2f" * 4])
def test_only_an_id_of_the_phones_is_a_name(client: httpx.Client, name: str) -> None:
    assert put(client, name, 0, drive()[0]).status_code in (404, 405)
    for path in (f"/record/{name}", f"/record/{name}/file", f"/api/record/{name}"):
        assert client.get(path, follow_redirects=True).status_code in (404, 405)


def test_nothing_is_kept_without_the_pages_token_or_the_access_code(
    tmp_path: Path, client: httpx.Client
) -> None:
    made, name = drive(), new_name()
    del client.headers["X-CSRF-Token"]
    assert put(client, name, 0, made[0]).status_code == 403
    app = create_app(Settings(folder=tmp_path, lan=True, workers=1))
    for path in ("/record", "/recordings", f"/record/{name}/file"):
        answer = asked_from(PHONE_ADDRESS, app, "GET", f"https://192.0.2.1{path}")
        assert answer.status_code == 303 and answer.headers["location"] == "/access"
    assert asked_from(PHONE_ADDRESS, app, "GET", f"https://192.0.2.1/api/record/{name}").status_code == 401


def test_a_full_disk_or_a_recording_too_large_is_said_and_the_phone_keeps_it(tmp_path: Path) -> None:
    made = drive()
    for limits, status in ((Limits(free_bytes=1 << 60), 503), (Limits(upload_bytes=5000), 422)):
        with (
            running(tmp_path / str(status), limits=limits) as shop,
            httpx.Client(base_url=shop.url, timeout=PATIENCE_S) as client,
        ):
            client.headers["X-CSRF-Token"] = client.get("/api/record/hello").json()["csrf_token"]
            name = new_name()
            answers = [put(client, name, number, body) for number, body in enumerate(made)]
        assert answers[-1].status_code == status and "phone" in answers[-1].text + "phone" * (status == 422)


def test_the_oldest_recordings_go_first_and_none_of_the_last_day(tmp_path: Path) -> None:
    import os

    from vibeorder.web.recordings import Recordings

    shop = Recordings(tmp_path / "r", Limits(kept_results=2))
    names = [new_name() for _ in range(4)]
    for age, name in enumerate(names):
        shop.keep(name, 0, drive()[0], sha256(drive()[0]))
        then = time.time() - (0 if age == 3 else 90_000 + age)
        os.utime(shop.root / name, (then, then))
    shop.tidy()
    assert {path.name for path in shop.root.iterdir()} == {names[0], names[3]}


# ---- the secure page


def test_the_key_is_the_owners_alone_and_the_certificate_serves_these_addresses(tmp_path: Path) -> None:
    fingerprint = own_certificate(tmp_path, ["192.0.2.17"])
    assert (tmp_path / KEY_NAME).stat().st_mode & 0o777 == 0o600
    made = x509.load_pem_x509_certificate((tmp_path / CERTIFICATE_NAME).read_bytes())
    assert made.extensions.get_extension_for_class(x509.BasicConstraints).value.ca is False
    # CA/Browser Forum, Baseline Requirements 6.3.2: at most 398 days
    assert (made.not_valid_after_utc - made.not_valid_before_utc).days <= 398
    listed = subprocess.run(
        ["openssl", "x509", "-in", tmp_path / CERTIFICATE_NAME, "-noout", "-fingerprint", "-sha256"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode == 0:  # another program's word for it, where there is one
        assert fingerprint in listed.stdout


def test_a_certificate_is_kept_until_an_address_is_new_and_its_key_stays(tmp_path: Path) -> None:
    first = own_certificate(tmp_path, ["192.0.2.17"])
    key = (tmp_path / KEY_NAME).read_bytes()
    (tmp_path / KEY_NAME).chmod(0o644)
    assert own_certificate(tmp_path, ["192.0.2.17"]) == first
    assert (tmp_path / KEY_NAME).stat().st_mode & 0o777 == 0o600
    assert own_certificate(tmp_path, ["192.0.2.18"]) != first
    assert (tmp_path / KEY_NAME).read_bytes() == key
    (tmp_path / KEY_NAME).write_bytes(b"cut off")
    own_certificate(tmp_path, ["192.0.2.18"])
    assert tls_context(tmp_path).minimum_version == ssl.TLSVersion.TLSv1_2


def test_a_qr_code_on_the_terminal_has_every_module_of_the_code() -> None:
    """Against the modules that segno itself gives (ISO/IEC 18004 asks for the light margin)."""
    import segno

    text = with_code("https://192.0.2.17:8766", "12345678")
    assert text == "https://192.0.2.17:8766/access#12345678"
    pairs = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}
    columns = [[pairs[c] for c in line] for line in qr_text(text, coloured=False).splitlines()]
    rows = [[pair[half] for pair in line] for line in columns for half in (0, 1)]
    wanted = [
        list(row) for row in segno.make(text, error="l", micro=False).matrix_iter(border=QUIET_MODULES // 2)
    ]
    assert rows[: len(wanted)] == [[int(bool(dark)) for dark in row] for row in wanted]
    assert "\x1b[97;40m" in qr_text(text, coloured=True)


def test_who_comes_in_the_clear_is_sent_to_the_secure_page_and_this_machine_is_not(tmp_path: Path) -> None:
    app = create_app(
        Settings(folder=tmp_path, lan=True, workers=1, secure_port=8766, addresses=("192.0.2.1",))
    )
    answer = asked_from(PHONE_ADDRESS, app, "GET", "http://192.0.2.1:8765/record?job=3")
    assert (answer.status_code, answer.headers["location"]) == (307, "https://192.0.2.1:8766/record?job=3")
    assert "Secure" not in asked_from("127.0.0.1", app, "GET", "http://127.0.0.1:8765/").headers["set-cookie"]
    secure = asked_from(PHONE_ADDRESS, app, "GET", "https://192.0.2.1:8766/access")
    assert secure.status_code == 200 and "; Secure" in secure.headers["set-cookie"]
    shown = asked_from("127.0.0.1", app, "GET", "http://127.0.0.1:8765/access").text
    assert "https://192.0.2.1:8766" in shown and "data:image/svg+xml" in shown


# ---- in a browser

CHROMIUM = Path("/usr/bin/chromium")
browser_test = pytest.mark.skipif(not CHROMIUM.exists(), reason="no Chromium on this machine")
SIZE = {"width": 390, "height": 844}
ALLOWED = ["geolocation", "microphone", "accelerometer", "gyroscope"]
FEED = """
(() => {
  const { rate, axes, gravity } = DRIVE;
  if (!isSecureContext) return; // the empty page before ours
  setInterval(() => {
    const stamp = performance.now();
    const at = window.driving ? ((stamp - window.driving) / 1000) * rate : 0;
    const i = Math.min(Math.floor(at), axes[0].length - 2);
    const [x, y, z] = axes.map((axis) => (window.driving ? axis[i] + (at - i) * (axis[i + 1] - axis[i]) : 0));
    dispatchEvent(new DeviceMotionEvent("devicemotion", {
      accelerationIncludingGravity: { x: x + gravity[0], y: y + gravity[1], z: z + gravity[2] },
      acceleration: { x, y, z }, rotationRate: { alpha: 0, beta: 0, gamma: 0 }, interval: 10 }));
  }, 8);
})();
"""

SOON = """
(() => { // the still check's waits (recorder.js), a fifth as long: most tests only have to get past it
  const later = window.setTimeout;
  window.setTimeout = (what, ms, ...more) => later(what, [700, 3000].includes(ms) ? ms / 5 : ms, ...more);
})();
"""


@pytest.fixture(scope="module")
def sound_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the browser's microphone hears: a 300 Hz tone."""
    import soundfile

    path = tmp_path_factory.mktemp("sound") / "tone.wav"
    soundfile.write(path, 0.2 * np.sin(2 * np.pi * 300 * np.arange(48_000 * 5) / 48_000), 48_000, "PCM_16")
    return path


def arguments(sound_file: Path) -> list[str]:
    """A browser that hears a file and asks nobody."""
    return [*ARGUMENTS, "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
            f"--use-file-for-fake-audio-capture={sound_file}"]  # fmt: skip


@pytest.fixture(scope="module")
def browser(sound_file: Path) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=str(CHROMIUM), args=arguments(sound_file))
        yield made
        made.close()


def simulated(duration_s: float = 40.0) -> tuple[Any, str]:
    """A truck with a shaking tire at a steady 60 mph, and the script that lets a page feel it."""
    from vibeorder.simulate import Drive, Fault, Scenario, road_test
    from vibeorder.units import MPH_MPS
    from vibeorder.vehicle import load_vehicle

    scenario = Scenario(
        Drive("steady", (60 * MPH_MPS,), gears=((0.0, 8),)), duration_s, 400.0, faults=(Fault("tire_wheel", 1.0, 0.5),),
        random_orientation=False,
    )  # fmt: skip
    test = road_test(load_vehicle(SAMPLES / "truck.toml"), scenario, np.random.default_rng(5))
    gravity = test.samples.mean(axis=1)
    axes = np.round(test.samples - gravity[:, None], 4).tolist()
    data = {"rate": 400.0, "axes": axes, "gravity": gravity.tolist()}
    return test, FEED.replace("DRIVE", json.dumps(data), 1)


class Said:
    """What the console of a page said, but for what a browser says by itself.

    That is: a request while the network was away, and that Chromium keeps no page of a certificate nobody vouches for.
    """

    def __init__(self) -> None:
        self.lines: list[str] = []

    def hear(self, page: Any) -> None:
        page.on("console", lambda m: self.add(m.text))
        page.on("pageerror", lambda error: self.add(str(error)))

    def add(self, text: str) -> None:
        if "net::ERR_INTERNET_DISCONNECTED" not in text and "An SSL certificate error occurred" not in text:
            self.lines.append(text)


def switched_on(browser: Any, profile: Path, sound_file: Path, script: str, said: Said) -> tuple[Any, Any]:
    """A phone whose disk is `profile`: what was on it is there when it is switched on again."""
    context = browser.browser_type.launch_persistent_context(
        profile, executable_path=str(CHROMIUM), args=arguments(sound_file), viewport=SIZE, permissions=ALLOWED,
        has_touch=True,
    )  # fmt: skip
    context.add_init_script(script)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    said.hear(page)
    return context, page


def battery_flat(profile: Path) -> None:
    """End the browser of that profile between two instructions (SIGKILL): nothing of it says good-bye."""
    import psutil

    for process in psutil.process_iter(["cmdline"]):
        words = process.info["cmdline"] or []
        if f"--user-data-dir={profile}" in words and not any(word.startswith("--type=") for word in words):
            process.kill()
            process.wait(PATIENCE_S)


def phone(browser: Any, script: str, said: Said, soon: bool = True, **more: Any) -> tuple[Any, Any]:
    """A phone with its recorder page not yet open. soon: the still check is a short one."""
    context = browser.new_context(viewport=SIZE, permissions=ALLOWED, has_touch=True, **more)
    context.add_init_script(script + SOON * soon)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    said.hear(page)
    return context, page


def begin(page: Any) -> None:
    """From the open page to a running recording."""
    page.check("#agreed")
    page.click("#go")
    page.wait_for_selector("#go.armed")
    page.click("#go")
    page.wait_for_selector("#live[open]")
    page.evaluate("window.driving = performance.now()")


def end(page: Any) -> None:
    page.click("#stop")
    page.click("#stop")


def drive_on(context: Any, page: Any, seconds: int, speed_mps: float | None) -> None:
    """A fix a second: with the phone's own speed, or, for None, moving north at 20 m/s without one."""
    session = context.new_cdp_session(page)
    for k in range(seconds):
        at = {"latitude": 50.0, "longitude": 8.0, "accuracy": 5}
        if speed_mps is None:
            at["latitude"] += k * 20.0 / 111_195  # metres a degree on a sphere of 6371 km
        else:
            at["speed"] = speed_mps
        session.send("Emulation.setGeolocationOverride", at)
        page.wait_for_timeout(1000)


@browser_test
def test_a_drive_survives_a_flat_battery_and_no_network_and_its_verdict_is_right(
    browser: Any, server: Running, sound_file: Path, tmp_path: Path
) -> None:
    test, script = simulated()
    said = Said()
    context, page = switched_on(browser, tmp_path, sound_file, script, said)
    page.goto(f"{server.url}/record")
    assert page.is_disabled("#go"), "first what is said about safety"
    page.wait_for_function("navigator.serviceWorker.ready.then(() => true)")
    begin(page)
    speed = float(np.median(test.gps.speed_mps))
    drive_on(context, page, 6, speed)
    page.tap("#mark")
    drive_on(context, page, 8, speed)
    recorded_s = page.evaluate("(performance.now() - window.driving) / 1000")
    battery_flat(tmp_path)
    context, page = switched_on(browser, tmp_path, sound_file, script, said)
    context.set_offline(True)
    page.goto(f"{server.url}/record")
    page.wait_for_selector("text=was cut off")
    page.click("text=Send what was saved")
    page.wait_for_selector("text=out of reach")
    context.set_offline(False)
    page.wait_for_selector("text=has arrived at the shop")
    done = server.house.recordings.all()[0][0]
    # that second, and what passed between asking the page for its time and the kill
    assert done.what.duration_s > recorded_s - 1.5, "a second lost at most"
    path = server.house.recordings.zip_path(done.name)
    check_contents(path, speed)
    page.click("text=Find the part")
    page.select_option("#vehicle", label="Ostrel Hauler, 275/65R18")
    page.fill("#gear", "8")
    page.click("#send")
    page.wait_for_url("**/result/**")
    assert re.search(r"tire or wheel, first order", page.inner_text("main"))
    context.close()
    assert said.lines == []


def check_contents(path: Path, speed_mps: float) -> None:
    """Everything that the phone gave is in the file."""
    recording, sound = read_recording(path), sound_of(path)
    assert "was cut off" in " ".join(recording.history)
    assert recording.speed is not None and np.median(recording.speed.values) == pytest.approx(speed_mps)
    assert recording.rate_hz > 60.0
    (mark,) = marks_of(path)
    assert 5.0 < mark < 10.0
    assert sound is not None and sound.valid.mean() > 0.95
    spectrum = np.abs(np.fft.rfft(sound.samples[0]))
    assert np.argmax(spectrum) * sound.rate_hz / sound.samples.shape[1] == pytest.approx(300.0, abs=1.0)
    with zipfile.ZipFile(path) as bundle:
        about = json.loads(bundle.read("vibeorder-recording.json"))
    assert about["sound"]["browser_processing"] == dict.fromkeys(about["sound"]["browser_processing"], False)
    assert about["still_check"]["passed"] is True


@browser_test
def test_two_phones_at_once_send_two_recordings_that_do_not_mix(browser: Any, server: Running) -> None:
    said, phones = Said(), []
    before = {one.name for one in server.house.recordings.all()[0]}
    for gravity in ([0, 0, 9.81], [9.81, 0, 0]):
        data = json.dumps({"rate": 10, "axes": [[0, 0.5] * 500] * 3, "gravity": gravity})
        phones.append(phone(browser, FEED.replace("DRIVE", data, 1), said))
    for _, page in phones:
        page.goto(f"{server.url}/record")
        begin(page)
    for i, (_, page) in enumerate(phones):
        for _ in range(i + 1):
            page.tap("#mark")
    drive_on(*phones[0], 4, None)
    for _, page in phones:
        end(page)
    for context, page in phones:
        page.wait_for_selector("text=has arrived at the shop")
        context.close()
    new = [one for one in server.house.recordings.all()[0] if one.name not in before]
    assert sorted(one.what.marks for one in new) == [1, 2]
    for one in new:
        path = server.house.recordings.zip_path(one.name)
        recording = read_recording(path)
        down = int(np.argmax(np.abs(recording.samples.mean(axis=1))))
        assert down == (2 if one.what.marks == 1 else 0)
        if one.what.marks == 1:  # the way between two fixes stands for the speed that this phone did not give
            assert recording.speed is not None and recording.speed.values[-1] == pytest.approx(20.0, rel=0.08)
    assert said.lines == []


@browser_test
def test_the_drives_of_a_card_are_announced_and_kept_with_the_recording(
    browser: Any, server: Running
) -> None:
    said = Said()
    before = {one.name for one in server.house.recordings.all()[0]}
    data = json.dumps({"rate": 10, "axes": [[0, 0.5] * 500] * 3, "gravity": [0, 0, 9.81]})
    context, page = phone(browser, FEED.replace("DRIVE", data, 1), said)
    marks = ["step 1: Hold 60 mph in gear 7 for 40 s.", "step 2: Coast from 65 to 45 mph in neutral."]
    page.goto(f"{server.url}/record#card={quote(json.dumps(marks))}")
    assert page.locator("#card-steps li").all_inner_texts() == [one.partition(": ")[2] for one in marks]
    begin(page)
    assert page.inner_text("#step-words") == "Next: Hold 60 mph in gear 7 for 40 s."
    looked_at(page, "a card's drive comes next")
    page.tap("#step")
    assert page.inner_text("#step-words").startswith("Now: Hold 60 mph")
    looked_at(page, "a card's drive is driven")
    page.wait_for_timeout(1200)
    page.tap("#mark")
    page.tap("#step")
    assert page.inner_text("#step") == "Drive 2 of 2 begins"
    page.tap("#step")
    page.wait_for_timeout(1200)
    page.tap("#step")
    assert page.is_hidden("#step") and "done" in page.inner_text("#step-words")
    end(page)
    page.wait_for_selector("text=has arrived at the shop")
    context.close()
    (new,) = (one for one in server.house.recordings.all()[0] if one.name not in before)
    path = server.house.recordings.zip_path(new.name)
    first, second = steps_of(path)
    (shake,) = marks_of(path)
    assert [first[2], second[2]] == marks
    assert first[0] < shake < (first[1] or 0.0) < second[0] < (second[1] or 0.0)
    assert new.what.steps == 2 and said.lines == []


@browser_test
@pytest.mark.parametrize(
    "address", ["#card=nonsense", "#card=%5B1%2C%7B%7D%5D", "#card=%22x%22", "#card=%5B%5D"]
)
def test_an_address_without_a_card_records_all_the_same(browser: Any, server: Running, address: str) -> None:
    said = Said()
    data = json.dumps({"rate": 10, "axes": [[0, 0.5] * 500] * 3, "gravity": [0, 0, 9.81]})
    context, page = phone(browser, FEED.replace("DRIVE", data, 1), said)
    page.goto(f"{server.url}/record{address}")
    begin(page)
    assert page.locator("#step-words").inner_text() in ("", "Next: 1")
    context.close()
    assert said.lines == []


@browser_test
def test_every_state_fits_a_phone_and_passes_axe_in_light_and_dark(browser: Any, server: Running) -> None:
    said = Said()
    data = json.dumps({"rate": 10, "axes": [[0, 0.1] * 500] * 3, "gravity": [0, 0, 9.81]})
    context, page = phone(browser, FEED.replace("DRIVE", data, 1), said)
    page.goto(f"{server.url}/record")
    looked_at(page, "first")
    page.check("#agreed")
    page.click("#go")
    page.wait_for_selector("#go.armed")
    looked_at(page, "ready")
    page.click("#go")
    page.wait_for_selector("#live[open]")
    looked_at(page, "recording")
    area = page.evaluate(
        "(({ width, height }) => width * height)(document.getElementById('mark').getBoundingClientRect())"
    )
    assert area > 0.6 * SIZE["width"] * SIZE["height"], "the mark area can be hit without looking"
    page.keyboard.press("Enter")
    assert "marked 1 time" in page.inner_text("#mark")
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    page.wait_for_timeout(1200)
    assert page.is_visible("#live"), "nothing but Stop ends it"
    end(page)
    page.wait_for_selector("text=has arrived at the shop")
    looked_at(page, "sent")
    page.goto(f"{server.url}/recordings")
    looked_at(page, "list")
    context.close()
    assert said.lines == []


def looked_at(page: Any, state: str) -> None:
    assert not page.evaluate("document.documentElement.scrollWidth > innerWidth"), state
    assert complaints_of_axe(page) == [], state


@browser_test
def test_a_phone_that_must_give_the_code_again_keeps_its_recording_and_says_so(
    browser: Any, server: Running
) -> None:
    """After the server was started again: its passes live as long as it does."""
    said = Said()
    data = json.dumps({"rate": 10, "axes": [[0, 0.1] * 500] * 3, "gravity": [0, 0, 9.81]})
    context, page = phone(browser, FEED.replace("DRIVE", data, 1), said, service_workers="block")
    page.goto(f"{server.url}/record")
    refuse = {"status": 401, "json": {"error": "This machine has not given the access code yet."}}
    page.route("**/api/record/hello", lambda route: route.fulfill(**refuse))
    begin(page)
    page.wait_for_timeout(1500)
    end(page)
    page.wait_for_selector("text=has to give the access code again")
    assert page.get_attribute("text=Give the code", "href") == "/access"
    page.unroute("**/api/record/hello")
    page.click("text=Send now")
    page.wait_for_selector("text=has arrived at the shop")
    context.close()
    assert [line for line in said.lines if "401" not in line and "Playwright" not in line] == []


@browser_test
def test_a_phone_that_sways_is_told_so_and_one_without_sensors_is_not_let_on(
    browser: Any, server: Running
) -> None:
    said = Said()
    hand = FEED.replace("DRIVE", json.dumps({"rate": 1, "axes": [[0, 0]] * 3, "gravity": [0, 0, 9.81]}), 1)
    # a slow tilt of 2 degrees either way, twice in three seconds
    hand = hand.replace("x: x + gravity[0]", "x: 0.34 * Math.sin(stamp / 240)")
    context, page = phone(browser, hand, said, soon=False)
    page.goto(f"{server.url}/record")
    page.check("#agreed")
    page.click("#go")
    page.wait_for_selector("text=sways as in a hand")
    assert page.inner_text("#go") == "Check again" and page.is_visible("#anyway")
    context.close()
    context, page = phone(browser, "", said)
    page.goto(f"{server.url}/record")
    page.check("#agreed")
    page.click("#go")
    page.wait_for_selector("text=No motion arrives")
    context.close()
    assert said.lines == []


@browser_test
def test_a_phone_comes_in_over_the_secure_page_with_the_code_of_the_qr_code(
    browser: Any, tmp_path: Path
) -> None:
    command = [
        sys.executable,
        "-m",
        "vibeorder.cli",
        "serve",
        "--lan",
        "--port",
        "0",
        "--folder",
        str(tmp_path),
    ]
    program = subprocess.Popen(
        command,
        cwd=Path(__file__).resolve().parents[1],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    said = Said()
    try:
        address, code = greeted(program)
        if not address:
            pytest.skip("this machine has no network address")
        data = json.dumps({"rate": 10, "axes": [[0, 0.1] * 500] * 3, "gravity": [0, 0, 9.81]})
        context, page = phone(browser, FEED.replace("DRIVE", data, 1), said, ignore_https_errors=True)
        page.goto(with_code(address, code))
        page.click("text=Open the page")
        page.goto(f"{address}/record", wait_until="networkidle")
        assert page.evaluate("isSecureContext")
        context.set_offline(True)  # opened in the shop, begun on the road
        begin(page)
        page.wait_for_timeout(2500)
        end(page)
        page.wait_for_selector("text=out of reach")
        context.set_offline(False)
        page.wait_for_selector("text=has arrived at the shop")
        context.close()
        with socket.create_connection(re.findall(r"//(.*):(\d+)", address)[0], 5) as plain:
            context_tls = ssl.create_default_context(cafile=tmp_path / CERTIFICATE_NAME)
            with context_tls.wrap_socket(plain, server_hostname=address[8:].partition(":")[0]) as secure:
                assert secure.version() in ("TLSv1.2", "TLSv1.3")
    finally:
        program.send_signal(2)
        _, trouble = program.communicate(timeout=PATIENCE_S)
    assert trouble == "" and said.lines == []


def greeted(program: Any) -> tuple[str, str]:
    """The secure address and the access code, as `vibeorder serve --lan` prints them."""
    lines: list[str] = []
    while not (lines and lines[-1].startswith("Access code")):
        lines.append(program.stdout.readline())
        assert lines[-1], program.stderr.read()
    text = "".join(lines)
    found = re.search(r"https://\S+", text)
    assert "█" in text and "SHA-256" in text
    return (found[0] if found else ""), re.sub(r"\D", "", lines[-1])
