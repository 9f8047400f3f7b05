"""What is installed is the whole of it: the wheel is built and looked into.

Names and places in a wheel: PEP 427 and PEP 566 (metadata), PEP 561 (`py.typed`), PEP 639 (licence).
`python tests/benchmarks/wheel.py` installs it on every Python here and runs it.
"""

import configparser
import email
import tarfile
import tomllib
import zipfile
from email.message import Message
from pathlib import Path

import pytest
from wheel_build import BESIDE, ROOT, build_source_archive, build_wheel, files_below, package_files

from vibeorder import __version__

setuptools = pytest.importorskip("setuptools", minversion="77", reason="the build needs setuptools 77")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    return zipfile.ZipFile(build_wheel(tmp_path_factory.mktemp("built")))


def project() -> dict[str, object]:
    table: dict[str, object] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return table


def read(wheel: zipfile.ZipFile, ending: str) -> str:
    (name,) = (one for one in wheel.namelist() if one.endswith(ending))
    return wheel.read(name).decode("utf-8")


def metadata(wheel: zipfile.ZipFile) -> Message:
    return email.message_from_string(read(wheel, ".dist-info/METADATA"))


def test_the_wheel_holds_every_file_of_the_package_and_no_other(wheel: zipfile.ZipFile) -> None:
    packed = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert packed == package_files()


def test_templates_scripts_styles_and_the_type_marker_are_among_them(wheel: zipfile.ZipFile) -> None:
    packed = set(wheel.namelist())
    assert "vibeorder/py.typed" in packed  # PEP 561
    for folder, ending in (("templates", ".html"), ("static", ".js"), ("static", ".css")):
        shelf = [name for name in packed if name.startswith(f"vibeorder/web/{folder}/")]
        assert any(name.endswith(ending) for name in shelf), f"no {ending} from web/{folder}"


def test_the_wheel_fits_every_system(wheel: zipfile.ZipFile) -> None:
    assert wheel.filename is not None
    assert Path(wheel.filename).name == f"vibeorder-{__version__}-py3-none-any.whl"  # PEP 427
    assert "Root-Is-Purelib: true" in read(wheel, ".dist-info/WHEEL")


def test_what_it_says_of_itself_is_what_the_program_says(wheel: zipfile.ZipFile) -> None:
    said = metadata(wheel)
    assert (said["Name"], said["Version"]) == ("vibeorder", __version__)
    assert said["Requires-Python"] == project()["requires-python"] == ">=3.11"
    assert said["License-Expression"] == "MIT"  # PEP 639
    assert (said.get_payload() or "") == (ROOT / "README.md").read_text("utf-8")


def test_it_asks_for_what_the_program_needs_and_tests_only_as_an_extra(wheel: zipfile.ZipFile) -> None:
    asked = metadata(wheel).get_all("Requires-Dist") or []
    plain = {one for one in asked if "extra ==" not in one}
    assert plain == set(project()["dependencies"])  # type: ignore[call-overload]


def test_the_command_is_there(wheel: zipfile.ZipFile) -> None:
    scripts = configparser.ConfigParser()
    scripts.read_string(read(wheel, ".dist-info/entry_points.txt"))
    assert dict(scripts["console_scripts"]) == {"vibeorder": "vibeorder.cli:main"}


def test_the_source_archive_holds_all_that_readmes_two_commands_need(tmp_path: Path) -> None:
    with tarfile.open(build_source_archive(tmp_path)) as archive:
        packed = {one.name.split("/", 1)[1] for one in archive.getmembers() if one.isfile()}
    assert (
        files_below("vibeorder", *BESIDE) | {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
        <= packed
    )
    assert not [name for name in packed if name.endswith(".pyc")]


def test_a_licence_and_no_recording_goes_along(wheel: zipfile.ZipFile) -> None:
    assert read(wheel, "/LICENSE") == (ROOT / "LICENSE").read_text("utf-8")
    assert not [name for name in wheel.namelist() if name.endswith((".csv", ".wav", ".pyc"))]
