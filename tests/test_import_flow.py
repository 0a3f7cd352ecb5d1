"""Imports run one way only; the rooms are listed in the order of the flow."""

import ast
from pathlib import Path

import pytest

import covermap

ROOT = Path(covermap.__file__).parent
ORDER = (
    (
        "__init__",
        "errors",
        "units",
        "tables",
        "columns",
        "crops",
        "setting",
        "map_settings",
        "plan_settings",
        "settings",
        "field_file",
    ),
    ("ground",),
    ("harvest",),
    ("spread",),
    ("cover",),
    ("plan",),
    (
        "harvest_record",
        "field_passes",
        "field",
        "field_ground",
        "perturbations",
        "perturb_field",
        "plan_work",
        "plan_field",
        "open_field",
        "advise_field",
        "open_result",
        "compare_fields",
    ),
    ("outputs",),
    ("sample", "season"),
    (
        "cli",
        "cli_options",
        "compare_command",
        "export_command",
        "plan_command",
        "range_command",
        "report_command",
        "season_command",
        "page",
    ),
    ("__main__",),
)
RANK = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}
FILES = sorted(ROOT.rglob("*.py"))


def room_of(path: Path) -> str:
    relative = path.relative_to(ROOT)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def imported_rooms(path: Path) -> list[tuple[int, str]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            names = [node.module or ""]
            if node.module == "covermap":
                names = [f"covermap.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "covermap" and len(parts) > 1:
                found.append((node.lineno, parts[1] if parts[1] in RANK else "__init__"))
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_never_run_against_the_flow(path):
    own = RANK[room_of(path)]
    for line, room in imported_rooms(path):
        assert RANK[room] <= own, f"{path.name}:{line} imports {room} against the flow"


def test_the_check_can_fail(tmp_path):
    wrong = tmp_path / "grid.py"
    wrong.write_text("def f():\n    from covermap.cover import strips\n", "utf-8")
    assert [room for _, room in imported_rooms(wrong)] == ["cover"]
    assert RANK["cover"] > RANK["ground"]
