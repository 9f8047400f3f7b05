"""The picture of the shop page in README: the first sample sent to a page that runs, and its answer as it looks.

    python tests/benchmarks/screenshot.py [OUT.png]

Needs the test extras and a Chromium on the path. Without a name it writes docs/shop_page.png.
"""

import shutil
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from patience import PATIENCE_MS  # noqa: E402
from web_server import SAMPLES, running  # noqa: E402

OUT = ROOT / "docs" / "shop_page.png"
TABLET = (820, 1310)
"""Held upright, in CSS pixels: verdict, suspects and where the indicator goes are on its first screen."""


def main(out: Path) -> None:
    """Send the sample, wait for its answer, write the picture."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as server, sync_playwright() as play:
        server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
        chromium = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = chromium.new_page(viewport={"width": TABLET[0], "height": TABLET[1]}, color_scheme="light")
        page.set_default_timeout(PATIENCE_MS)
        page.goto(server.url)
        page.set_input_files("#recording", str(SAMPLES / "pinion_flange.csv"))
        page.select_option("#vehicle", index=1)
        page.fill("#gear", "7")
        page.fill("#complaint", "Seat and floor shake at 60 mph on any road")
        page.select_option("#job", "new")
        page.click("#send")
        page.wait_for_url("**/result/**")
        page.screenshot(path=out)
        chromium.close()


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else OUT
    main(target)
    sys.stdout.write(f"{target} is written\n")
