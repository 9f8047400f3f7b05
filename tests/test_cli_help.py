"""Every command, argument and option says what it does."""

from collections.abc import Iterator
from typing import Any

import pytest
import typer

from vibeorder.cli import app, main


def commands(command: Any, path: str = "vibeorder") -> Iterator[tuple[str, Any]]:
    """Every command below this one, itself included, with the words that call it."""
    yield path, command
    if hasattr(command, "list_commands"):
        context = typer.Context(command)
        for name in command.list_commands(context):
            yield from commands(command.get_command(context, name), f"{path} {name}")


EVERY = list(commands(typer.main.get_command(app)))


@pytest.mark.parametrize(("path", "command"), EVERY, ids=[path for path, _ in EVERY])
def test_command_and_its_options_have_help(path: str, command: Any) -> None:
    assert command.help, f"{path} has no help"
    for parameter in command.params:
        assert getattr(parameter, "help", None), f"{path}: {parameter.name} has no help"


def test_the_commands_of_the_design_are_there() -> None:
    assert {"vibeorder diagnose", "vibeorder rates", "vibeorder version"} <= {path for path, _ in EVERY}


@pytest.mark.parametrize("path", [path for path, _ in EVERY])
def test_help_can_be_asked_for_everywhere(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*path.split()[1:], "--help"]) == 0
    assert capsys.readouterr().out.startswith(f"Usage: {path}")


@pytest.mark.parametrize("words", [[], ["bench"], ["job"]], ids=["vibeorder", "bench", "job"])
def test_no_line_of_a_list_of_commands_is_cut(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*words, "--help"]) == 0
    assert [
        line for line in capsys.readouterr().out.splitlines() if line.endswith("...") and "ARGS" not in line
    ] == []
