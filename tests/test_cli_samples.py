"""README's first command as a stranger types it; the truth of each sample is in sample_data/README.md."""

import json
import shlex
from pathlib import Path

import pytest

import vibeorder.diagnosis
from vibeorder.cli import main

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(autouse=True)
def in_the_project_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    if not hasattr(vibeorder.diagnosis, "diagnose"):
        pytest.skip("vibeorder.diagnosis has no diagnose() yet")
    monkeypatch.chdir(ROOT)


def first_command() -> list[str]:
    """The words behind `vibeorder` in README's first command."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if "&& .venv/bin/vibeorder " in line)
    return shlex.split(line.split("&& .venv/bin/vibeorder ", 1)[1])


def test_the_first_command_of_readme_names_the_driveshaft(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*first_command(), "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    first = result["suspects"][0]
    assert (first["part"], first["order"]) == ("driveshaft", 1.0)
    assert first["probability"] > 0.5
    assert result["runout_check"]["warranted"] is True
    total = sum(one["probability"] for one in result["suspects"]) + result["nothing_found_probability"]
    assert total == pytest.approx(1.0, abs=1e-6)


def test_a_healthy_drive_blames_no_part(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["diagnose", "sample_data/healthy.csv", "--vehicle", "sample_data/truck.toml", "--gear", "7"]
    assert main([*words, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["nothing_found_probability"] > 0.5
    assert result["runout_check"]["warranted"] is False


def test_the_whole_report_and_its_files_come_from_one_call(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture, sheet = tmp_path / "out.png", tmp_path / "out.html"
    assert main([*first_command(), "--plot", str(picture), "--sheet", str(sheet)]) == 0
    out = capsys.readouterr().out
    assert "driveshaft" in out.splitlines()[0].lower()
    assert max(map(len, out.splitlines())) <= 80
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert "data:image/png" in sheet.read_text(encoding="utf-8")
