"""docs/walk-through.md shows what the program prints: `PYTHONPATH=. python tests/test_walkthrough.py` rewrites it."""

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from pages import DOCS, ROOT, beside_samples, commands_of, printed, with_outputs

from vibeorder.errors import RecordingError
from vibeorder.recording import Recording, read_recording
from vibeorder.simulate.samples import write_repaired

PAGE = DOCS / "walk-through.md"
REWRITE = "PYTHONPATH=. python tests/test_walkthrough.py"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict[str, object]]:
    """The page as its commands write it now, and the job that they leave behind."""
    with beside_samples(tmp_path_factory.mktemp("shop")):
        page = with_outputs(PAGE.read_text(encoding="utf-8"))
        printed("vibeorder job export 1 job.json")
        job: dict[str, object] = json.loads(Path("job.json").read_text(encoding="utf-8"))
    return page, job


def test_the_page_shows_what_the_program_prints(run: tuple[str, dict[str, object]]) -> None:
    assert PAGE.read_text(encoding="utf-8") == run[0], f"run {REWRITE} to rewrite docs/walk-through.md"


def test_the_story_goes_from_the_complaint_to_a_proven_repair() -> None:
    commands = [" ".join(line.split()[1:3]) for line in commands_of(PAGE.read_text(encoding="utf-8"))]
    order = ["job new", "rates --vehicle", "plan --vehicle", "diagnose sample_data/pinion_flange.csv",
             "bench runout", "bench halfturn", "bench mate", "job cure", "-m vibeorder.simulate",
             "compare sample_data/pinion_flange.csv", "job close"]  # fmt: skip
    places = [commands.index(one) for one in order]
    assert places == sorted(places)


def test_what_the_page_tells_of_the_outputs_is_so(run: tuple[str, dict[str, object]]) -> None:
    page = run[0]
    first = page.split("$ vibeorder diagnose", 1)[1].splitlines()[1]
    assert first.startswith("It is the driveshaft, first order")
    assert "Shaft tube, rear: " in page and "over the limit of 20.0 thou" in page  # as found
    assert "The flange carries most of it" in page
    assert "over the limit of 6.0 thou" in page  # the bent flange
    assert "Turn the shaft 1 bolt hole (90 deg)" in page
    assert page.count("within the limit of 20.0 thou") >= 3  # front, middle, and the rear after the repair
    assert "\nCured: the driveshaft, first order" in page


def test_the_mated_runout_is_the_one_that_was_predicted(run: tuple[str, dict[str, object]]) -> None:
    # Vectors, by hand: 7 thou at 50 deg and 3 thou at 320 - 90 = 230 deg lie opposite: 4 thou total.
    page = run[0]
    mated = next(line for line in page.splitlines() if "<- best" in line)
    assert abs(float(mated.split(")")[1].split()[0]) - 4.0) < 0.1
    after = page.split("## 9.", 1)[1]
    assert abs(float(after.split("Shaft tube, rear: ", 1)[1].split()[0]) - 4.0) < 1.0


def test_the_job_keeps_everything_that_was_done(run: tuple[str, dict[str, object]]) -> None:
    kinds = [entry["kind"] for entry in run[1]["entries"]]  # type: ignore[attr-defined]
    for kind in ("recording", "reading", "decision", "cure", "comparison"):
        assert kind in kinds
    assert kinds.count("reading") == 8


def test_the_simulated_second_drive_is_as_long_and_without_the_shake(tmp_path: Path) -> None:
    second = read_recording(write_repaired("pinion_flange.csv", tmp_path))
    first = read_recording(ROOT / "sample_data" / "pinion_flange.csv")
    assert second.duration_s == pytest.approx(first.duration_s, abs=1.0)
    assert second.speed is not None and first.speed is not None
    assert np.median(second.speed.values) == pytest.approx(np.median(first.speed.values), rel=0.02)
    # Parseval: a line of 0.25 m/s^2 rms gone out of 30 to 48 Hz, where the truck's shaft turns in this drive.
    gone = band_rms(first) ** 2 - band_rms(second) ** 2
    assert np.sqrt(gone) == pytest.approx(0.25, rel=0.25)


def band_rms(recording: Recording) -> float:
    """Vector rms between 30 and 48 Hz, by the plain discrete Fourier transform."""
    spectrum = np.fft.rfft(recording.samples, axis=1)
    hz = np.fft.rfftfreq(recording.samples.shape[1], 1.0 / recording.rate_hz)
    inside = np.abs(spectrum[:, (hz > 30.0) & (hz < 48.0)]) ** 2
    return float(np.sqrt(2.0 * inside.sum()) / recording.samples.shape[1])


def test_only_a_sample_with_a_fault_can_be_repaired(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"healthy\.csv.*pinion_flange\.csv"):
        write_repaired("healthy.csv", tmp_path)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name, beside_samples(Path(name)):
        written = with_outputs(PAGE.read_text(encoding="utf-8"))
    PAGE.write_text(written, encoding="utf-8")
    sys.stdout.write("docs/walk-through.md is written\n")
