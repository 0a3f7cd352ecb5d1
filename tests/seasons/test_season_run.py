"""A season in one process: same results as single maps, in any order, whole or not at all."""

import errno
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from season_builders import (
    DEFAULTS,
    InThisProcess,
    bytes_of,
    passes,
    road,
    rows,
    run,
    without_seconds,
    write_season,
    write_track,
)

from covermap.cli.commands import commands
from covermap.cli.season_command import progress_text
from covermap.errors import OutputError
from covermap.field.open_field import find_inputs
from covermap.files import schemas
from covermap.seasons import field_job
from covermap.seasons.content_key import content_key
from covermap.seasons.field_job import map_one
from covermap.seasons.job import Common, FieldJob
from covermap.seasons.job_record import (
    LOCK_FILE,
    holds,
    is_whole,
    put_in_place,
    read_record,
    season_lock,
    sweep,
)
from covermap.seasons.run_season import Progress
from covermap.seasons.season_file import read_season
from covermap.seasons.workers import WorkerDied


def assert_same_results(one: Path, other: Path) -> None:
    assert sorted(f.name for f in one.iterdir()) == sorted(f.name for f in other.iterdir())
    with rasterio.open(one / "residue.tif") as a, rasterio.open(other / "residue.tif") as b:
        assert (a.transform, a.crs, a.descriptions) == (b.transform, b.crs, b.descriptions)
        np.testing.assert_array_equal(a.read(), b.read())
    for layer in ("strips.gpkg", "passes.gpkg"):
        pd.testing.assert_frame_equal(gpd.read_file(one / layer), gpd.read_file(other / layer))
    for name in ("summary.json", "map.html", "causes.csv", "removed_fixes.csv", "spectrum.svg"):
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[Path, Path, dict]:
    """Give a season file, its results and the content of season.json; not to be changed."""
    folder = tmp_path_factory.mktemp("season")
    file = write_season(folder)
    content = run(file, folder / "out")
    return file, folder / "out", content


@pytest.fixture
def copy(done, tmp_path) -> tuple[Path, Path]:
    file, _, _ = done
    shutil.copytree(file.parent, tmp_path / "copy")
    return tmp_path / "copy" / file.name, tmp_path / "copy" / "out"


def test_results_are_those_of_single_maps(done, tmp_path):
    file, out, content = done
    for row in content["fields"]:
        words = ["map", str(file.parent / row["source"]), "--out", str(tmp_path / row["field_id"])]
        words += ["--crop", "wheat", "--grain-yield", "6", "--cut-width", "9 m"]
        words += ["--spread-width", "8 m", "--cell", "1 m", "--quiet"]
        ran = CliRunner().invoke(commands, words, catch_exceptions=False)
        assert ran.exit_code == 0
        assert_same_results(out / row["folder"], tmp_path / row["field_id"])


def test_season_json_has_what_the_book_needs(done):
    _, out, content = done
    assert json.loads((out / "season.json").read_text("utf-8")) == content
    assert (content["schema"], content["name"]) == ("covermap-season-2", "Invented season")
    assert [row["field_id"] for row in content["fields"]] == ["field-0", "field-1", "field-2"]
    for row in content["fields"]:
        assert row["status"] == "mapped"
        assert row["folder"] == f"fields/{row['field_id']}"
        summary = json.loads((out / row["folder"] / "summary.json").read_text("utf-8"))
        assert row["area_ha"] == pytest.approx(summary["field"]["harvested_ha"], abs=1e-4)
        assert summary["inputs_sha256"].keys() == {row["source"]}
    assert not (out / LOCK_FILE).exists()


def test_a_second_run_maps_nothing_and_gives_the_same_file(copy):
    file, out = copy
    before = bytes_of(out)
    progress = Progress()
    run(file, out, progress=progress)
    assert (progress.mapped, progress.skipped, progress.failed) == (0, 3, 0)
    assert bytes_of(out) == before


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(order=st.permutations([0, 1, 2]), cuts=st.sets(st.integers(1, 2)))
def test_any_order_and_any_split_into_runs_give_the_same(done, tmp_path_factory, order, cuts):
    file, expected, content = done
    folder = tmp_path_factory.mktemp("order")
    for k in range(3):
        shutil.copy(file.parent / f"field_{k}.csv", folder)

    class AnyOrder:
        def run(self, work, calls):
            return InThisProcess().run(work, sorted(calls, key=lambda call: hash_of(call[0])))

    def hash_of(name: str) -> int:
        return order[int(name[-1]) % 3]

    last = None
    for end in [*sorted(cuts), 3]:
        head = DEFAULTS.replace('folder = "."\n', "")
        chosen = "".join(f'[[fields]]\ntrack = "field_{k}.csv"\n' for k in order[:end])
        (folder / "season.toml").write_text(head + chosen, "utf-8")
        last = run(folder / "season.toml", folder / "out", AnyOrder())
    assert without_seconds(last) == without_seconds(content)
    for row in last["fields"]:
        assert bytes_of(folder / "out" / row["folder"]) == bytes_of(expected / row["folder"])


def test_only_what_changed_is_mapped_again(copy):
    file, out = copy
    with (file.parent / "field_1.csv").open("a") as track:
        track.write("2026-08-01T14:00:00Z,-27.0,45.0\n")
    (file.parent / "field_2.csv").touch()
    before = {name: bytes_of(out / "fields" / name) for name in ("field-0", "field-2")}
    keys = {name: row["key"] for name, row in rows(json_of(out)).items()}
    progress = Progress()
    content = run(file, out, progress=progress)
    assert (progress.mapped, progress.skipped) == (1, 2)
    changed = {name for name, row in rows(content).items() if row["key"] != keys[name]}
    assert changed == {"field-1"}
    for name, content_before in before.items():
        assert bytes_of(out / "fields" / name) == content_before


def json_of(out: Path) -> dict:
    return json.loads((out / "season.json").read_text("utf-8"))


@pytest.mark.parametrize("harm", ["gone", "cut short", "other summary", "no record", "bad record"])
def test_results_that_are_not_whole_are_made_again(copy, harm):
    file, out = copy
    folder, record = out / "fields" / "field-1", out / "jobs" / "field-1.json"
    good = bytes_of(folder)
    if harm == "gone":
        (folder / "map.html").unlink()
    elif harm == "cut short":
        os.truncate(folder / "residue.tif", 100)
    elif harm == "other summary":
        text = (folder / "summary.json").read_text("utf-8")
        (folder / "summary.json").write_text(text.replace("1", "2"), "utf-8")
    elif harm == "no record":
        record.unlink()
    else:
        record.write_text("{", "utf-8")
    progress = Progress()
    run(file, out, progress=progress)
    assert (progress.mapped, progress.skipped) == (1, 2)
    assert bytes_of(folder) == good


def test_a_broken_file_in_the_middle_fails_alone_and_is_tried_again(copy):
    file, out = copy
    good = (file.parent / "field_1.csv").read_bytes()
    (file.parent / "field_1.csv").write_bytes(good[:300] + b"\0\0" + good[300:])
    content = run(file, out)
    row = rows(content)["field-1"]
    assert (row["status"], row["folder"]) == ("failed", None)
    assert "binary" in row["reason"]
    assert [r["status"] for r in content["fields"]] == ["mapped", "failed", "mapped"]
    (file.parent / "field_1.csv").write_bytes(good)
    progress = Progress()
    assert rows(run(file, out, progress=progress))["field-1"]["status"] == "mapped"
    assert progress.failed == 0


def test_a_fault_of_covermaps_own_is_one_row_and_one_sentence(copy, monkeypatch):
    file, out = copy
    real = field_job.read_inputs

    def faulty(inputs, *read):
        if inputs.track.name == "field_0.csv":
            raise ZeroDivisionError("division\nby zero")
        return real(inputs, *read)

    monkeypatch.setattr(field_job, "read_inputs", faulty)
    shutil.rmtree(out)
    content = run(file, out)
    row = rows(content)["field-0"]
    assert row["status"] == "failed"
    assert row["reason"] == "covermap has a fault of its own (ZeroDivisionError: division by zero)."
    assert [r["status"] for r in content["fields"]] == ["failed", "mapped", "mapped"]


def test_a_worker_that_died_is_a_failed_row(done, tmp_path):
    file, _, _ = done

    class Deadly:
        def run(self, work, calls):
            for name, arguments in calls:
                outcome = WorkerDied() if name == "field-1" else work(*arguments)
                yield name, outcome

    content = run(file, tmp_path / "out", Deadly())
    assert "The worker died while mapping this field" in rows(content)["field-1"]["reason"]
    assert [r["status"] for r in content["fields"]] == ["mapped", "failed", "mapped"]
    record = read_record(tmp_path / "out", "field-1")
    assert record["row"] == rows(content)["field-1"]


def test_a_full_disk_stops_the_season_and_keeps_what_is_done(done, tmp_path, monkeypatch):
    file, expected, _ = done
    out = tmp_path / "out"
    real = Path.write_text

    def full(self, *args, **kwargs):
        if self.name == "map.html" and "field-1" in str(self):
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(self, *args, **kwargs)

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OutputError, match=r"disk is full.* 1 of 3 fields are done") as caught:
        run(file, out)
    assert "stopped at field-1" in str(caught.value)
    assert [f.name for f in (out / "fields").iterdir()] == ["field-0"]
    assert not (out / "season.json").exists()
    monkeypatch.undo()
    progress = Progress()
    run(file, out, progress=progress)
    assert (progress.mapped, progress.skipped) == (2, 1)
    assert bytes_of(out / "fields") == bytes_of(expected / "fields")


def test_a_file_too_large_for_the_disk_quota_is_no_half_result(done, tmp_path):
    # a real limit of the system on the size of files stands in for a full disk
    file, _, _ = done
    code = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "import season_builders\n"
        "from pathlib import Path\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))\n"
        "content = season_builders.run(Path(sys.argv[1]), Path(sys.argv[2]))\n"
        "print({row['status'] for row in content['fields']})\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, file, tmp_path / "out"],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.stdout.strip() == "{'failed'}", ran.stderr
    assert list((tmp_path / "out").glob("fields/*")) == []


def test_a_folder_that_may_not_be_written(tmp_path, done, monkeypatch):
    file, _, _ = done

    def refuse(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(OutputError, match=r"you may not write there.*another folder \(out\)"):
        run(file, tmp_path / "out")
    (tmp_path / "file").write_text("mine")
    monkeypatch.undo()
    with pytest.raises(OutputError, match="Choose another"):
        run(file, tmp_path / "file")


def test_a_persons_files_beside_the_results_stay_and_old_plans_go(copy):
    file, out = copy
    folder = out / "fields" / "field-0"
    (folder / "my notes.txt").write_text("wet corner")
    (folder / "export").mkdir()
    run(file, out, options={"field": {"next_crop": "canola"}})
    assert (folder / "plan.json").exists()
    assert (folder / "my notes.txt").read_text() == "wet corner"
    run(file, out)
    assert not (folder / "plan.json").exists()
    assert (folder / "my notes.txt").exists()
    assert (folder / "export").is_dir()
    assert is_whole(out, read_record(out, "field-0"))


@pytest.mark.parametrize("moment", [0, 1, 2])
def test_a_swap_cut_short_at_any_moment_leaves_whole_results(copy, monkeypatch, moment):
    _, out = copy
    fields = out / "fields"
    (fields / "field-0" / "mine.txt").write_text("mine")
    old = bytes_of(fields / "field-0")
    fresh = fields / ".new-field-0"
    shutil.copytree(fields / "field-1", fresh)
    new = bytes_of(fresh)
    moves = 0
    real = Path.replace

    def cut(self, target):
        nonlocal moves
        if moves == moment:
            raise KeyboardInterrupt
        moves += 1
        return real(self, target)

    monkeypatch.setattr(Path, "replace", cut)
    with pytest.raises(KeyboardInterrupt):
        put_in_place(out, "field-0")
    monkeypatch.undo()
    sweep(out)
    found = bytes_of(fields / "field-0")
    assert found == (old if moment < 2 else new | {"mine.txt": b"mine"})
    assert [f.name for f in fields.iterdir() if f.name.startswith(".")] == []
    record = read_record(out, "field-0")
    assert is_whole(out, record) == (moment < 2)


def test_a_worker_of_a_run_that_has_ended_writes_nothing(copy):
    file, out = copy
    job = FieldJob("new", file.parent / "field_0.csv", "field_0.csv")
    sections = read_season(file).defaults
    with season_lock(out) as token:
        assert holds(out, token)
        late = map_one(job, Common(out, "token of another run", sections))
        assert late.row["status"] == "failed"
        assert "has ended" in late.row["reason"]
        assert read_record(out, "new") is None
        assert map_one(job, Common(out, token, sections)).row["status"] == "mapped"


def test_a_track_of_two_fields_becomes_two_rows_that_keep_every_fix(tmp_path):
    folder = tmp_path / "tracks"
    two = [passes(0, machine="A"), road((27, 0), (1500, 0), 500).assign(machine="A"),
           passes(1500, start_s=1000, machine="A"),
           passes(1536, start_s=1000, machine="B")]  # fmt: skip
    write_track(folder / "week.csv", *two)
    (folder / "season.toml").write_text(DEFAULTS, "utf-8")
    content = run(folder / "season.toml", tmp_path / "out")
    assert [(r["field_id"], r["part"], r["machine"], r["name"]) for r in content["fields"]] == [
        ("week-1", "1 of 2", "A", "week 1"),
        ("week-2", "2 of 2", "A, B", "week 2"),
    ]
    summaries = [
        json.loads((tmp_path / "out" / r["folder"] / "summary.json").read_text("utf-8"))
        for r in content["fields"]
    ]
    assert sum(s["fixes"]["read"] for s in summaries) == sum(len(part) for part in two)
    assert content["fields"][0]["area_ha"] == pytest.approx(4 * 9 * 102 / 1e4, rel=0.02)
    assert content["fields"][1]["area_ha"] == pytest.approx(8 * 9 * 102 / 1e4, rel=0.02)
    assert any(note["rule"] == "track-machines" for note in summaries[1]["notes"])


def test_a_track_parted_by_outlines_is_mapped_within_them(tmp_path):
    folder = tmp_path / "tracks"
    write_track(folder / "week.csv", passes(0), passes(300, start_s=900),
                passes(3000, start_s=1800))  # fmt: skip
    import shapely

    boxes = [shapely.box(499_995, 4_979_999, 500_032, 4_980_101),
             shapely.box(500_295, 4_979_999, 500_332, 4_980_051)]  # fmt: skip
    layer = gpd.GeoDataFrame({"Name": ["Home", "Süd & <b>"]}, geometry=boxes, crs="EPSG:32626")
    layer.to_crs("EPSG:4326").to_file(folder / "fields.geojson", driver="GeoJSON")
    text = DEFAULTS.replace('folder = "."\n', "")
    text += '[[tracks]]\nfile = "week.csv"\nboundaries = "fields.geojson"\nmachine = "combine 1"\n'
    (folder / "season.toml").write_text(text, "utf-8")
    content = run(folder / "season.toml", tmp_path / "out")
    assert [(r["field_id"], r["name"], r["machine"]) for r in content["fields"]] == [
        ("week-home", "Home", "combine 1"),
        ("week-sud-b", "Süd & <b>", "combine 1"),
    ]
    assert content["notes"] == [
        "week.csv: 204 of 612 fixes lie outside all boundaries and are in no map."
    ]
    for row, box in zip(content["fields"], boxes, strict=True):
        summary = json.loads((tmp_path / "out" / row["folder"] / "summary.json").read_text("utf-8"))
        assert summary["field"]["outline_ha"] == pytest.approx(box.area / 1e4, rel=1e-3)
        assert set(summary["inputs_sha256"]) == {"week.csv", "fields.geojson"}
    # an outline that has moved is a change of what the map is made from
    layer.geometry = layer.geometry.translate(0, 1)
    layer.to_crs("EPSG:4326").to_file(folder / "fields.geojson", driver="GeoJSON")
    progress = Progress()
    run(folder / "season.toml", tmp_path / "out", progress=progress)
    assert progress.mapped == 2


def test_outlines_without_names_fail_the_track_with_the_way_out(tmp_path):
    folder = tmp_path / "tracks"
    write_track(folder / "week.csv", passes(0))
    (folder / "fields.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    text = DEFAULTS.replace('folder = "."\n', "")
    text += '[[tracks]]\nfile = "week.csv"\nboundaries = "fields.geojson"\n'
    (folder / "season.toml").write_text(text, "utf-8")
    content = run(folder / "season.toml", tmp_path / "out")
    assert content["fields"][0]["field_id"] == "week"
    assert "holds no polygon" in content["fields"][0]["reason"]


def key_of(source: Path, **overrides) -> str:
    inputs = find_inputs(source, defaults=read_season(source.parent / "season.toml").defaults,
                         overrides=overrides)  # fmt: skip
    return content_key(inputs.settings, inputs.hashes(), {})


def test_the_key_does_not_know_folder_time_of_file_clock_or_zone(copy, tmp_path, monkeypatch):
    file, _ = copy
    source = file.parent / "field_0.csv"
    key = key_of(source)
    os.utime(source, (1, 1))
    monkeypatch.setenv("TZ", "Pacific/Kiritimati")
    time.tzset()
    monkeypatch.setattr(time, "time", lambda: 0.0)
    shutil.move(file.parent, tmp_path / "elsewhere")
    assert key_of(tmp_path / "elsewhere" / "field_0.csv") == key
    monkeypatch.delenv("TZ")
    time.tzset()


@pytest.mark.parametrize(
    "change",
    [
        {"crop": {"grain_yield": 6.000001}},
        {"crop": {"kind": "barley"}},
        {"spread": {"lean": 0.0}},  # the default, but now said: the assumptions differ
        {"pass_settings": [{"passes": "2", "lean": 1}]},
        {"columns": {"time": "time"}},
        {"field": {"next_crop": "canola"}},
        {"wind": {"speed": 3, "from_deg": 90}},
    ],
)
def test_the_key_knows_every_setting(done, change):
    source = done[0].parent / "field_0.csv"
    assert key_of(source, **change) != key_of(source)
    assert key_of(source, **change) == key_of(source, **change)


def test_the_key_knows_every_byte_and_the_version(copy, monkeypatch):
    source = copy[0].parent / "field_0.csv"
    key = key_of(source)
    monkeypatch.setattr("covermap.seasons.content_key.__version__", "0.0.0")
    assert key_of(source) != key
    monkeypatch.undo()
    source.write_bytes(source.read_bytes().replace(b"2026", b"2025", 1))
    assert key_of(source) != key


def test_the_lock_keeps_a_second_run_out_and_dies_with_its_holder(tmp_path):
    code = (
        "import sys; from pathlib import Path\n"
        "from covermap.seasons.job_record import season_lock\n"
        "with season_lock(Path(sys.argv[1])):\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, tmp_path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        with (
            pytest.raises(OutputError, match=rf"process {holder.pid} on \S+, since \d{{4}}-"),
            season_lock(tmp_path),
        ):
            pytest.fail("must not get here")
        holder.kill()
    assert (tmp_path / LOCK_FILE).exists()
    with season_lock(tmp_path) as token:
        assert holds(tmp_path, token)
        assert not holds(tmp_path, "other")
    assert not (tmp_path / LOCK_FILE).exists()


def test_time_left_is_never_negative_and_waits_for_the_first_field(monkeypatch):
    clock = iter([0.0, 30.0])
    monkeypatch.setattr(time, "monotonic", lambda: next(clock))
    progress = Progress(step="mapping", all=10, skipped=4, begun_s=time.monotonic())
    assert progress.seconds_left() is None
    assert "left" not in progress_text(progress)
    progress.mapped = 2
    # 2 fields in 30 s, 4 to go
    assert progress.seconds_left() == pytest.approx(60.0)
    monkeypatch.setattr(time, "monotonic", lambda: -1e6)
    assert progress.seconds_left() == 0.0


def test_a_record_is_of_one_schema(copy):
    _, out = copy
    record = read_record(out, "field-0")
    path = out / "jobs" / "field-0.json"
    path.write_text(json.dumps(record | {"schema": "covermap-job-0"}), "utf-8")
    assert read_record(out, "field-0") is None
    assert schemas.JOB == "covermap-job-2"
