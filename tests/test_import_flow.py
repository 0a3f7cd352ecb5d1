"""Imports run one way only; rooms stay small enough to be known; a feature shows one face."""

import ast
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

import covermap

ROOT = Path(covermap.__file__).parent
#: In the order of the flow. Modules of ``field`` are ranked one by one.
ORDER = (
    ("__init__", "errors", "units"),
    ("tables",),
    ("reading",),
    ("settings",),
    ("ground",),
    ("harvest",),
    ("wind",),
    ("spread",),
    ("cover",),
    ("field.open_field", "field.mapped_field"),
    ("field.harvest",),
    ("field.harvest_record",),
    ("field.field_ground", "field.field_passes"),
    ("field.field_result",),
    ("field.whole_field",),
    ("files",),
    ("drawing",),
    ("plan",),
    ("advice",),
    ("tray_test",),
    ("sureness",),
    ("comparison",),
    ("mapped",),
    ("report",),
    ("export",),
    ("seasons",),
    ("door",),
    ("cli",),
    ("__main__",),
)
RANK = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}
FEATURES = ORDER[RANK["plan"] : RANK["seasons"] + 1]
#: The one module of a feature that other features may import.
FACE = {
    "plan": "face",
    "advice": "settings_advice",
    "comparison": "compare_fields",
    "mapped": "write_results",
    "report": "report_verdict",
}
MOST_MODULES, LONGEST_CHAIN = 20, 19
FILES = sorted(ROOT.rglob("*.py"))


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def room_of(module: str) -> str:
    room, _, rest = module.partition(".")
    if room == "field" and rest != "__init__":
        return f"field.{rest.partition('.')[0]}"
    return room


def imports_of(path: Path) -> list[tuple[int, str]]:
    """Give line and module of everything of covermap that a file imports, anywhere in it."""
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [w if is_module(w) else str(node.module) for w in whole]
        else:
            continue
        found += [
            (node.lineno, name.partition(".")[2] or "__init__")
            for name in names
            if name.partition(".")[0] == "covermap"
        ]
    return found


def is_module(name: str) -> bool:
    parts = name.split(".")
    return parts[0] == "covermap" and ROOT.joinpath(*parts[1:]).with_suffix(".py").is_file()


def faults_of(path: Path, module: str) -> list[str]:
    """Say what a module imports that it may not."""
    own, found = room_of(module), []
    for line, other in imports_of(path):
        room = room_of(other)
        if room not in RANK or RANK[room] > RANK[own]:
            found.append(f"{module}:{line} imports {other} against the flow")
        between = own != room and (own,) in FEATURES and (room,) in FEATURES
        if between and other != f"{room}.{FACE.get(room)}":
            found.append(f"{module}:{line} imports {other}, not the face of {room}")
    return found


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_imports_run_with_the_flow_and_see_only_faces(path):
    module = name_of(path)
    assert room_of(module) in RANK or module.endswith("__init__"), f"{module} has no rank"
    if not module.endswith("__init__"):
        assert faults_of(path, module) == []


def test_the_check_can_fail(tmp_path):
    wrong = tmp_path / "grid.py"
    wrong.write_text("def f():\n    from covermap.cover import strips\n", "utf-8")
    assert "against the flow" in faults_of(wrong, "ground.grid")[0]
    wrong.write_text("from covermap.plan.harrow import Harrow\n", "utf-8")
    assert "not the face" in faults_of(wrong, "report.report")[0]
    assert faults_of(wrong, "plan.zones") == faults_of(wrong, "cli.commands") == []


@cache
def graph() -> dict[str, frozenset[str]]:
    names = {name_of(path) for path in FILES}
    found = {
        name_of(path): frozenset(other for _, other in imports_of(path)) & names for path in FILES
    }
    # the root only names the door; what is named is loaded when it is asked for
    return {**found, "__init__": frozenset()}


@cache
def chain_from(module: str) -> tuple[str, ...]:
    longest = max((chain_from(other) for other in graph()[module]), key=len, default=())
    return (module, *longest)


def test_no_chain_of_imports_is_long():
    chain = max((chain_from(module) for module in graph()), key=len)
    assert len(chain) <= LONGEST_CHAIN, " <- ".join(chain)
    assert all(b in graph()[a] for a, b in pairwise(chain))


ROOMS = sorted({path.parent for path in FILES} - {ROOT})


@pytest.mark.parametrize("room", ROOMS, ids=lambda room: room.name)
def test_a_room_holds_a_few_modules_and_more_than_one_thing(room):
    modules = [path for path in room.glob("*.py") if path.name != "__init__.py"]
    assert len(modules) <= MOST_MODULES
    named = [
        node
        for path in (*modules, room / "__init__.py")
        for node in ast.parse(path.read_text("utf-8")).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
    ]
    assert len(named) > 1


def test_the_root_holds_only_the_face_errors_and_units():
    assert {path.stem for path in ROOT.glob("*.py")} == {"__init__", "__main__", "errors", "units"}
