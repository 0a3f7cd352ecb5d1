"""Errors keep their parts, and every door names what is asked for in its own way."""

import ast
import pickle
import re
from pathlib import Path

import pytest

import covermap
from covermap import errors
from covermap.errors import Ask, CovermapError, OutputError, TrackError, column_ask, unit_ask


def wrong_crs() -> TrackError:
    return TrackError(
        "run.csv: positions of 0 to 800,000 are no degrees.",
        "Expected degrees, or metres in a known system.",
        "Give the system with {0}, or name the right columns with {1}.",
        Ask("field.crs", "EPSG:32615"),
        column_ask("longitude"),
    )


def test_python_names_its_own_arguments():
    assert str(wrong_crs()) == (
        "run.csv: positions of 0 to 800,000 are no degrees. Expected degrees, or metres in a "
        'known system. Give the system with crs="EPSG:32615", or name the right columns with '
        'columns={"longitude": "…"}.'
    )
    assert str(CovermapError("It is {so}.")) == "It is {so}."
    assert errors.in_python(unit_ask("flow", "lb/s")) == 'units={"flow": "lb/s"}'
    assert errors.in_python(Ask("out")) == "out"


def test_a_field_file_states_what_is_asked_for():
    told = wrong_crs().told(errors.in_field_file)
    assert told.endswith(
        'with [field] crs = "EPSG:32615", or name the right columns with [columns] longitude = "…".'
    )
    assert errors.in_field_file(unit_ask("flow", "lb/s")) == '[units] flow = "lb/s"'
    assert errors.in_field_file(Ask("out")) == "out"


def test_another_door_names_its_own():
    told = wrong_crs().told(lambda ask: f"--{ask.name.rpartition('.')[2]}")
    assert told.endswith("with --crs, or name the right columns with --longitude.")


FAMILY = [v for v in vars(errors).values() if isinstance(v, type) and issubclass(v, Exception)]


@pytest.mark.parametrize("kind", FAMILY, ids=lambda kind: kind.__name__)
def test_parts_survive_a_worker_process(kind):
    error = kind("{wrong}.", "Expected that.", "Do {0}.", Ask("out", "folder"))
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is kind
    assert str(back) == str(error) == '{wrong}. Expected that. Do out="folder".'
    assert (back.wrong, back.expected, back.asks) == (error.wrong, error.expected, error.asks)


def test_each_is_also_the_built_in_that_fits():
    assert issubclass(OutputError, OSError)
    assert all(issubclass(kind, OSError | ValueError) for kind in FAMILY[1:])


ROOT = Path(covermap.__file__).parent
TREES = {
    place: ast.parse(path.read_text("utf-8"))
    for path in sorted(ROOT.rglob("*.py"))
    if "cli/" not in (place := path.relative_to(ROOT).as_posix())
}
NAMES = {kind.__name__ for kind in FAMILY}


def docstrings(tree: ast.Module) -> set[int]:
    kinds = ast.Module | ast.ClassDef | ast.FunctionDef
    return {
        id(n.body[0].value) for n in ast.walk(tree) if isinstance(n, kinds) and ast.get_docstring(n)
    }


def test_only_the_command_line_names_its_options():
    found = [
        (place, node.lineno, node.value)
        for place, tree in TREES.items()
        for known in [docstrings(tree)]
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in known
        if re.search(r"(^|[ (])--[a-z]", node.value)
    ]
    assert found == []


def test_every_error_says_what_was_expected_or_the_way_out():
    """A message in one piece no door can take apart; what is handed on whole is no literal."""
    calls = [
        (place, node)
        for place, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES
    ]
    in_one_piece = [
        (place, call.lineno)
        for place, call in calls
        if len(call.args) + len(call.keywords) < 2
        and not isinstance(call.args[0], ast.Name | ast.Attribute)
    ]
    assert len(calls) > 150
    assert in_one_piece == []


def test_a_place_goes_before_what_is_wrong():
    error = wrong_crs().at("season.toml: ")
    assert str(error) == f"season.toml: {wrong_crs()}"
    assert (type(error), error.asks) == (TrackError, wrong_crs().asks)
