"""Errors keep their parts, and every door names what is asked for in its own way."""

import pickle

import pytest

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
