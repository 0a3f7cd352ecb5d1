"""Bad input: one clear sentence, exit code 2, no traceback, nothing half-written.

Each case says which word of the way out the message must hold.
"""

import json
import os
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from covermap.cli import commands as cli

HEAD = "time,longitude,latitude\n"


def good_rows(n: int = 120) -> pd.DataFrame:
    k, i = np.divmod(np.arange(n), 60)
    seconds = k * 90 + i
    time = pd.Timestamp("2026-08-01T12:00:00Z") + pd.to_timedelta(seconds, unit="s")
    north = np.where(k % 2 == 0, i, 59 - i)
    return pd.DataFrame(
        {
            "time": time.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "longitude": -27.0 + k * 9.0 / 78_800,
            "latitude": 45.0 + north * 2.0 / 111_130,
        }
    )


def write(folder: Path, content: object, name: str = "track.csv") -> Path:
    path = folder / name
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif isinstance(content, pd.DataFrame):
        content.to_csv(path, index=False)
    else:
        path.write_text(str(content), "utf-8")
    return path


def geojson(coordinates: list) -> str:
    feature = {
        "type": "Feature",
        "properties": {},
        "geometry": {"type": "Polygon", "coordinates": [coordinates]},
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]})


@pytest.fixture
def fails(tmp_path, monkeypatch, capsys):
    """Run map on a track, expect exit code 2 and one message; give the message."""

    def check(track: Path, *more: object) -> str:
        out = tmp_path / "out"
        words = {
            "--crop": "wheat",
            "--cut-width": "9",
            "--spread-width": "9",
            "--grain-yield": "5",
        }
        given = dict(zip(more[::2], more[1::2], strict=True))
        options = [str(w) for pair in {**words, **given}.items() for w in pair]
        if "--out" not in given:
            options += ["--out", str(out)]
        monkeypatch.setattr(sys, "argv", ["covermap", "map", str(track), *options])
        with pytest.raises(SystemExit) as end:
            cli.main()
        captured = capsys.readouterr()
        assert end.value.code == 2, captured.err
        assert captured.out == ""
        assert captured.err.startswith("Error: ")
        assert "Traceback" not in captured.err
        assert captured.err.count("\n") == 1, "one message, one line"
        if "--out" not in given:  # a folder is named as the person typed it
            assert str(tmp_path) not in captured.err
        assert not out.exists(), "nothing half-written"
        return captured.err

    return check


def changed(**columns: object) -> pd.DataFrame:
    return good_rows().assign(**columns)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "empty"),
        (HEAD, "no fix below it"),
        (HEAD + "2026-08-01T12:00:00Z,-27,45\n", "fewer than two different positions"),
        (good_rows().drop(columns=["longitude", "latitude"]), "no header with coordinates"),
        (changed(longitude=-27.0, latitude=45.0), "fewer than two different positions"),
        (
            good_rows().rename(columns={"longitude": "latitude", "latitude": "longitude"}).assign(
                latitude=lambda t: t["latitude"] - 70
            ),
            "swapped",
        ),
        (changed(latitude=np.linspace(200, 201, 120)), "latitude"),
        (changed(longitude=np.linspace(500, 501, 120)), "longitude"),
        (changed(longitude=np.nan), "position"),
        (changed(latitude="inf"), "position"),
        (changed(longitude=np.where(np.arange(120) % 2, -27.0, -3.0)), "km"),
        (b"PK\x03\x04" + bytes(2000), "text"),
        (b"\x89PNG\r\n\x1a\n" + bytes(2000), "text"),
        ("the quick brown fox\njumps over\n" * 50, "column"),
    ],
    ids=[
        "empty file", "header only", "one fix", "no coordinates", "all fixes equal", "swapped",
        "latitude out of range", "longitude out of range", "nan", "inf", "mixed zones", "zip",
        "png", "prose",
    ],
)  # fmt: skip
def test_bad_tracks(content, says, fails, tmp_path):
    message = fails(write(tmp_path, content))
    assert "track.csv" in message
    assert says in message.lower()


def test_projected_track_in_mixed_zones(fails, tmp_path):
    east = np.where(np.arange(120) % 2, 300_000.0, 700_000.0) + np.arange(120)
    table = pd.DataFrame({"easting": east, "northing": 4_980_000.0 + np.arange(120)})
    message = fails(write(tmp_path, table), "--crs", "EPSG:32626")
    assert "zone" in message


def test_projected_track_without_crs(fails, tmp_path):
    table = pd.DataFrame({"easting": np.arange(120) * 2.0, "northing": np.arange(120) * 1.0})
    assert "--crs" in fails(write(tmp_path, table))


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--crop", "wheet", "Did you mean 'wheat'"),
        ("--cut-width", "-9", "more than 0"),
        ("--cut-width", "nan", "not a number"),
        ("--spread-width", "0", "more than 0"),
        ("--spread-width", "9 parsec", "'parsec'"),
        ("--grain-yield", "-1", "more than 0"),
        ("--cell", "0", "more than 0"),
        ("--lean", "inf", "not a number"),
        ("--profile", "oval", "none of flat"),
        ("--crs", "EPSG:999999", "--crs"),
        ("--boundary", "gone.geojson", "no such boundary"),
        ("--pass-settings", "gone.csv", "no such pass-settings"),
        ("--column", "flow=Nowhere", "Nowhere"),
        ("--unit", "speed=km/h", "no column for speed"),
        ("--unit", "longitude=parsec", "parsec"),
        ("--no-such-option", "1", "No such option"),
    ],
)
def test_bad_options(option, value, says, fails, tmp_path):
    assert says in fails(write(tmp_path, good_rows()), option, value)


def test_no_such_track(fails, tmp_path):
    assert "gone.csv" in fails(tmp_path / "gone.csv")


def test_a_folder_is_no_track(fails, tmp_path):
    (tmp_path / "folder.csv").mkdir()
    assert "folder" in fails(tmp_path / "folder.csv")


def test_boundary_that_does_not_touch(fails, tmp_path):
    far = write(tmp_path, geojson([[10, 45], [10.1, 45], [10.1, 45.1], [10, 45]]), "b.geojson")
    message = fails(write(tmp_path, good_rows()), "--boundary", far)
    assert "b.geojson" in message
    assert "does not touch" in message


def test_boundary_that_crosses_itself(fails, tmp_path):
    bow = geojson([[-27.01, 44.99], [-26.99, 45.01], [-26.99, 44.99], [-27.01, 45.01],
                   [-27.01, 44.99]])  # fmt: skip
    message = fails(write(tmp_path, good_rows()), "--boundary", write(tmp_path, bow, "b.geojson"))
    assert "cross itself" in message


def test_boundary_without_polygon(fails, tmp_path):
    line = json.dumps({"type": "Point", "coordinates": [-27, 45]})
    message = fails(write(tmp_path, good_rows()), "--boundary", write(tmp_path, line, "b.geojson"))
    assert "no polygon" in message


def test_boundary_that_is_a_table(fails, tmp_path):
    table = write(tmp_path, "name,area_ha\nWest,5\n", "b.csv")
    message = fails(write(tmp_path, good_rows()), "--boundary", table)
    assert "b.csv: holds no polygon; it is a table without shapes" in message


def test_boundary_that_is_no_vector_file(fails, tmp_path):
    message = fails(write(tmp_path, good_rows()), "--boundary", write(tmp_path, "x", "b.geojson"))
    assert "cannot be read as a polygon file" in message


def test_broken_field_file(fails, tmp_path):
    message = fails(write(tmp_path, "[spread]\nwidth = 35 ft\n", "f.toml"))
    assert "f.toml" in message
    assert "line 2" in message


def test_field_file_without_its_track(fails, tmp_path):
    assert "track" in fails(write(tmp_path, "[crop]\nkind = 'wheat'\n", "f.toml"))
    assert "gone.csv" in fails(write(tmp_path, "[field]\ntrack = 'gone.csv'\n", "g.toml"))


def test_output_folder_is_a_file(fails, tmp_path):
    taken = write(tmp_path, "mine", "taken")
    message = fails(write(tmp_path, good_rows()), "--out", taken)
    assert "taken" in message
    assert taken.read_text("utf-8") == "mine"


def test_output_folder_is_read_only(fails, tmp_path, monkeypatch):
    """Root may write anywhere, so the system's refusal is played."""

    def refuse(*args, **kwargs):
        raise PermissionError(13, "Permission denied", "somewhere")

    import tempfile

    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    monkeypatch.setattr(os, "mkdir", refuse)
    message = fails(write(tmp_path, good_rows()), "--out", tmp_path / "closed")
    assert "closed" in message


def test_unreadable_track(fails, tmp_path, monkeypatch):
    path = write(tmp_path, good_rows())
    real = Path.open

    def refuse(self, *args, **kwargs):
        if self.name == "track.csv":
            raise PermissionError(13, "Permission denied", str(self))
        return real(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    assert "track.csv" in fails(path)


@pytest.mark.parametrize("kind", ["no newline", "no header"])
def test_large_junk_is_refused_in_bounded_memory(kind, fails, tmp_path):
    path = tmp_path / "junk.csv"
    block = (b"x" * 1023 + (b"y" if kind == "no newline" else b"\n")) * 1024
    with path.open("wb") as file:
        for _ in range(200):
            file.write(block)
    tracemalloc.start()
    try:
        fails(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert path.stat().st_size >= 200 * 2**20
    assert peak < 40 * 2**20


def test_nothing_shows_a_traceback_in_a_real_process(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "covermap", "map", write(tmp_path, ""), "--out", tmp_path / "o"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("Error: track.csv")
    assert done.stderr.count("\n") == 1
