"""docs/commands.md is made from the program: `python tests/test_cli_docs.py` writes it, the test compares."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from vibeorder.cli import app

PAGE = Path(__file__).resolve().parents[1] / "docs" / "commands.md"
README = PAGE.parents[1] / "README.md"

HEAD = """# Every command and option

Made from the program by `python tests/test_cli_docs.py`; do not edit by hand.
"""


def commands(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Every command that does something, with the words that call it."""
    if not hasattr(command, "list_commands"):
        yield path, command
        return
    context = typer.Context(command)
    for name in command.list_commands(context):
        yield from commands(command.get_command(context, name), f"{path} {name}")


def page() -> str:
    """The whole page as it should be."""
    sections = [HEAD]
    for path, command in commands(typer.main.get_command(app), "vibeorder"):
        sections.append(f"## `{path}`\n\n{' '.join(command.help.split())}\n")
        rows = [row(one) for one in command.params if one.name != "help"]
        if rows:
            sections.append("| word | what it is |\n|---|---|\n" + "\n".join(rows) + "\n")
    return "\n".join(sections)


def row(parameter: Any) -> str:
    """One argument or option as a line of the table."""
    option = parameter.param_type_name == "option"
    words = ", ".join((*parameter.opts, *parameter.secondary_opts)) if option else parameter.metavar
    if option and parameter.metavar and not parameter.is_flag:
        words += f" {parameter.metavar}"
    needed = " Required." if parameter.required else ""
    return f"| `{words}` | {' '.join(parameter.help.split())}{needed} |".replace("||", "| |")


def test_the_page_of_commands_says_what_the_program_says() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run python tests/test_cli_docs.py to rewrite it"


def test_readme_uses_only_options_that_exist() -> None:
    known = {word for _, command in commands(typer.main.get_command(app), "") for one in command.params
             for word in one.opts}  # fmt: skip
    used = [
        (line, word)
        for line in README.read_text(encoding="utf-8").splitlines()
        if line.startswith("vibeorder ") or "/vibeorder " in line
        for word in line.split("#")[0].split("vibeorder ", 1)[1].split()
        if word.startswith("--")
    ]
    assert used
    assert [pair for pair in used if pair[1] not in known] == []


def test_readme_names_only_files_that_exist() -> None:
    text = README.read_text(encoding="utf-8")
    linked = [part.split(")")[0] for part in text.split("](")[1:]]
    samples = [word for word in text.split() if word.startswith("sample_data/")]
    assert samples
    missing = [name for name in (*linked, *samples) if not (README.parent / name).exists()]
    assert missing == []


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    sys.stdout.write(f"{PAGE} written\n")
