"""The house as DEVELOPERS.md draws it: lengths, who may import whom, and what no file may hold.

The map's rows are the order of the rooms; a new room fails these tests until it has its row.
"""

import ast
import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest
from pages import ROOT

PACKAGE = ROOT / "vibeorder"
LONGEST_MODULE, LONGEST_FUNCTION = 400, 40
TEXTS = (".py", ".md", ".html", ".js", ".css", ".toml")

OWED: dict[str, str] = {}
"""Known and not yet mended; nothing may be added. An entry may go as soon as it is mended."""


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def floors() -> dict[str, int]:
    """Room -> its floor: the map's rows from the top down. Doors (modules that take words) all stand below."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = page.split("## The map", 1)[1].split("\n## ", 1)[0]
    rows = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `")]
    found: dict[str, int] = {"__init__": -2}
    for floor, row in enumerate(rows):
        for room in re.findall(r"`(\w+)(?:/|\.py)`", row):
            found[room] = floor
    return found | {"errors": -1}  # one row with units.py, which raises them


def room_of(path: Path) -> str:
    inside = path.relative_to(PACKAGE).parts
    return inside[0] if len(inside) > 1 else path.stem


def is_door(room: str) -> bool:
    """A module at the top of the package that parses words or prints."""
    return (PACKAGE / f"{room}.py").is_file() and room not in ("__init__", "units", "errors")


def imports(path: Path) -> Iterator[str]:
    """Every module of ours that a file imports, wherever in it, as "vibeorder.room..."."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (one.name for one in node.names if one.name.startswith("vibeorder"))
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("vibeorder"):
            assert node.level == 0, f"{name_of(path)} imports by dots; write the whole name"
            assert node.module is not None
            if node.module == "vibeorder":
                yield from (f"vibeorder.{one.name}" for one in node.names)
            else:
                yield node.module


def test_no_module_is_longer_than_four_hundred_lines() -> None:
    lengths = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in modules()}
    assert {n: k for n, k in lengths.items() if k > LONGEST_MODULE and n not in OWED} == {}


def test_no_function_is_longer_than_forty_lines() -> None:
    """Its own lines: signature and docstring do not count, since options and equations need their room."""
    found = {}
    for path in modules():
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                body = node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
                found[f"{name_of(path)}: {node.name}"] = (node.end_lineno or 0) - body[0].lineno + 1
    assert {n: k for n, k in found.items() if k > LONGEST_FUNCTION and n not in OWED} == {}


def test_what_is_owed_names_files_that_are_there() -> None:
    assert [name for name in OWED if not (ROOT / name.partition(": ")[0]).is_file()] == []


def test_every_room_has_its_place_on_the_map() -> None:
    rooms = {room_of(path) for path in modules()}
    lost = {room for room in rooms if room not in floors() and not is_door(room)}
    assert lost == set(), "add a row to the map in DEVELOPERS.md"


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_a_room_imports_only_from_rooms_above_it(path: Path) -> None:
    place, room = floors(), room_of(path)
    if is_door(room):
        return
    for target in imports(path):
        other = target.split(".")[1] if "." in target else "__init__"
        if other == room or other.startswith("__"):
            continue
        if f"{name_of(path)}: {target}" in OWED:
            continue
        assert not is_door(other), f"{name_of(path)} imports the door {target}"
        assert place[other] < place[room], f"{name_of(path)} imports {target} from below"


def imported_when_loaded(path: Path) -> Iterator[str]:
    """As `imports`, without what a function imports when it is called, which is late so that a start is fast."""
    ahead: list[ast.AST] = [tree(path)]
    while ahead:
        node = ahead.pop()
        if isinstance(node, ast.ImportFrom):
            for one in node.names:
                whole = f"{node.module}.{one.name}"
                yield whole if (ROOT / (whole.replace(".", "/") + ".py")).is_file() else f"{node.module}"
        elif isinstance(node, ast.Import):
            yield from (one.name for one in node.names)
        elif not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            ahead += ast.iter_child_nodes(node)


def circles(graph: Mapping[str, set[str]]) -> list[list[str]]:
    """Ways that lead back to where they began, each once; [] where there are none."""
    found: list[list[str]] = []
    done: set[str] = set()

    def follow(name: str, way: list[str]) -> None:
        if name in way:
            found.append([*way[way.index(name) :], name])
        elif name not in done:
            for other in sorted(graph[name]):
                follow(other, [*way, name])
            done.add(name)

    for name in sorted(graph):
        follow(name, [])
    return found


def test_modules_do_not_import_each_other_in_a_circle() -> None:
    """What is imported for its type alone counts: neither module could be read or moved without the other."""
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == [["b", "c", "b"]]
    assert circles({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []
    names = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
        for path in modules()
    }
    graph = {
        name: {one for one in imported_when_loaded(path) if one in names} for name, path in names.items()
    }
    assert sum(len(others) for others in graph.values()) > len(graph)  # else nothing was found to follow
    assert circles(graph) == []


def test_a_door_computes_nothing() -> None:
    for path in modules():
        if is_door(room_of(path)):
            numeric = [
                one.name
                for node in ast.walk(tree(path))
                if isinstance(node, ast.Import)
                for one in node.names
                if one.name.split(".")[0] in ("numpy", "scipy", "pandas")
            ]
            assert numeric == [], f"{name_of(path)} imports {numeric}"


LIBRARY = [path for path in modules() if not is_door(room_of(path)) and path.name != "__main__.py"]


def run_alone(statement: ast.stmt) -> bool:
    """Whether this is `if __name__ == "__main__":`."""
    return isinstance(statement, ast.If) and "__main__" in ast.unparse(statement.test)


@pytest.mark.parametrize("path", LIBRARY, ids=name_of)
def test_library_code_neither_prints_nor_exits(path: Path) -> None:
    for node in (inner for one in tree(path).body if not run_alone(one) for inner in ast.walk(one)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in ("print", "exit", "quit", "input"), f"line {node.lineno}"
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            assert (node.value.id, node.attr) != ("sys", "exit"), f"line {node.lineno}"


@pytest.mark.parametrize("path", [path for path in modules() if path.name != "__main__.py"], ids=name_of)
def test_every_module_says_what_it_is_and_what_it_offers(path: Path) -> None:
    assert ast.get_docstring(tree(path)), "no docstring"
    offered = {
        name.value
        for node in tree(path).body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name) and target.id == "__all__"
        for name in ast.walk(node.value)
        if isinstance(name, ast.Constant)
    }
    public = {
        node.name
        for node in tree(path).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    }
    assert offered or not public, "no __all__"


def written() -> list[Path]:
    """Every text of the project: package, documents, tests, sample data."""
    folders = [ROOT / name for name in ("vibeorder", "docs", "tests", "sample_data", ".ci")]
    found = [path for folder in folders for path in folder.rglob("*") if path.suffix in TEXTS]
    return [*found, *ROOT.glob("*.md"), *ROOT.glob("*.toml")]


MACHINE = re.compile(r"(?<![\w.])/(?:work|tmp|root|Users|mnt)/\w")
# An order is "1x driveshaft", never a part's initial with a digit behind it.
INITIAL = re.compile(r"(?<![\w#.:-])[TWDPEHM][1-9](?:\.5)?(?![\w.-]|:[0-9A-F]{2})")


def test_no_text_holds_a_path_of_one_machine() -> None:
    found = {name_of(p): MACHINE.findall(p.read_text(encoding="utf-8")) for p in written()}
    mine = name_of(Path(__file__))
    assert {name: hits for name, hits in found.items() if hits and name != mine} == {}


def test_no_order_is_spelt_as_an_initial_with_a_digit() -> None:
    assert INITIAL.findall("the driveshaft's " + "T" + "1 line") == ["T1"]  # spelt so that this file passes
    assert INITIAL.findall("a V6, 275/65R18 121/118S, 1x, G16, STEP1, H2O, 3C:D1:F1") == []
    texts = [path for path in written() if path.parent.name != "tests"]
    found = {name_of(path): INITIAL.findall(path.read_text(encoding="utf-8")) for path in texts}
    assert {name: hits for name, hits in found.items() if hits} == {}


def test_every_dependency_is_explained() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    page = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")
    asked = [re.split(r"[<>=\[ ]", one)[0] for one in project["dependencies"]]
    asked += [
        re.split(r"[<>=\[ ]", one)[0] for group in project["optional-dependencies"].values() for one in group
    ]
    assert sorted({name for name in asked if name.lower() not in page.lower()}) == []


def test_every_document_is_reached_from_readme() -> None:
    seen: set[Path] = set()
    ahead = [ROOT / "README.md"]
    while ahead:
        page = ahead.pop()
        if page in seen or not page.is_file():
            continue
        seen.add(page)
        links = re.findall(r"\]\(([\w./-]+\.md)(?:#[\w-]*)?\)", page.read_text(encoding="utf-8"))
        ahead += [(page.parent / link).resolve() for link in links]
    assert [path.name for path in (ROOT / "docs").glob("*.md") if path.resolve() not in seen] == []
