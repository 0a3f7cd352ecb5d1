"""The command covermap season as a person runs it: options, texts, exit codes, threads."""

import json
import os
import re
import sys
from contextlib import contextmanager

import pandas as pd
import pytest
from season_builders import DEFAULTS, InThisProcess, passes, write_season, write_track

from covermap.cli import commands as cli
from covermap.errors import SettingsError
from covermap.field import whole_field as field
from covermap.ground.threads import core_count, limit_threads
from covermap.seasons import job_record, run_season


@pytest.fixture
def covermap(monkeypatch, capsys):
    """Run the command line in this process, with no cluster."""

    @contextmanager
    def here(*arguments):
        yield InThisProcess()

    monkeypatch.setattr(run_season, "dask_crew", here)

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["covermap", *map(str, words)])
        code = 0
        try:
            cli.main()
        except SystemExit as end:
            code = int(end.code or 0)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_a_season_is_told_with_its_book_and_the_caution(covermap, tmp_path):
    file = write_season(tmp_path / "tracks", 2)
    code, text, err = covermap("season", file, "--out", tmp_path / "out")
    assert (code, err) == (0, "")
    assert "Invented season: 2 fields, 2 mapped now, 0 mapped before, 0 failed; 0.48 ha" in text
    assert f"The season book: {tmp_path / 'out' / 'season.html'}" in text
    assert "engine off" in text
    assert (tmp_path / "out" / "season.html").is_file()
    code, text, _ = covermap("season", file, "--out", tmp_path / "out", "--quiet")
    assert (code, text) == (0, "")
    code, text, _ = covermap("season", file, "--out", tmp_path / "out", "--json")
    assert code == 0
    assert json.loads(text) == json.loads((tmp_path / "out" / "season.json").read_text("utf-8"))


def test_some_failed_is_an_exit_code_of_its_own_and_a_line_each(covermap, tmp_path):
    folder = tmp_path / "tracks"
    write_season(folder, 1)
    (folder / "broken.csv").write_text("time,longitude,latitude\n1,2\n")
    (folder / "notes.txt").write_text("wet")
    code, text, err = covermap("season", folder / "season.toml", "--out", tmp_path / "out")
    assert (code, err) == (3, "")
    assert "Not mapped: broken (broken.csv): broken.csv, line 2: 2 fields" in text
    assert "Left out: notes.txt: no track" in text
    assert "2 fields, 1 mapped now, 0 mapped before, 1 failed" in text


def test_options_win_over_the_season_and_the_field_file(covermap, tmp_path):
    folder = tmp_path / "tracks"
    write_track(folder / "a.csv", passes(length_m=60))
    (folder / "a.toml").write_text('[field]\ntrack = "a.csv"\nname = "A"\n[spread]\nlean = 0.5\n')
    (folder / "season.toml").write_text(
        '[defaults.crop]\nkind = "wheat"\ngrain_yield = 6\n[defaults.combine]\ncut_width = 9\n'
        "[defaults.grid]\ncell = 1\n[defaults.spread]\nlean = 0.1\nreach_left = 4\n"
        'reach_right = 5\n[[fields]]\nfile = "a.toml"\nmachine = "combine 1"\n'
        '[fields.crop]\ncut_height = "20 cm"\n'
    )
    code, text, err = covermap(
        "season", folder / "season.toml", "--out", tmp_path / "out", "--spread-width", "8 m",
        "--column", "time=time", "--json",
    )  # fmt: skip
    assert (code, err) == (0, "")
    row = json.loads(text)["fields"][0]
    assert (row["field_id"], row["name"], row["machine"]) == ("a", "A", "combine 1")
    summary = json.loads((tmp_path / "out" / row["folder"] / "summary.json").read_text("utf-8"))
    spread = summary["settings"]["spread"]
    assert (spread["width"], spread["reach_left"], spread["lean"]) == (8, None, 0.5)
    assert summary["settings"]["crop"]["cut_height"] == 0.2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--workers", "2", "--scheduler", "tcp://x:1"], "exclude each other"),
        (["--workers", "0"], "workers"),
        (["--spread-width", "8 bananas"], "bananas"),
        (["--previous", "nowhere"], "no season.json there"),
        (["--column", "time"], "NAME=VALUE"),
        (["--name", "x"], "No such option"),
    ],
)
def test_a_wrong_option_is_said_before_anything_is_written(covermap, tmp_path, words, message):
    file = write_season(tmp_path / "tracks", 1)
    code, text, err = covermap("season", file, "--out", tmp_path / "out", *words)
    assert (code, text) == (2, "")
    assert message in err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_another_program_holds_is_one_failed_row(covermap, tmp_path, monkeypatch):
    file = write_season(tmp_path / "tracks", 2)
    out = tmp_path / "out"
    real = type(tmp_path).replace

    def held(self, target):
        if self.name == ".new-field-0":
            raise PermissionError(13, "Permission denied")
        return real(self, target)

    monkeypatch.setattr(type(tmp_path), "replace", held)
    code, text, _ = covermap("season", file, "--out", out)
    assert code == 3
    assert "Close what has one of its files open" in text
    monkeypatch.undo()
    assert [f.name for f in (out / "fields").iterdir()] == ["field-1"]
    assert job_record.read_record(out, "field-0")["row"]["status"] == "failed"


def test_progress_shows_on_a_terminal_only(covermap, tmp_path, monkeypatch):
    file = write_season(tmp_path / "tracks", 2)
    monkeypatch.setattr("covermap.cli.season_command._terminal", lambda: True)
    _, _, err = covermap("season", file, "--out", tmp_path / "out")
    lines = err.split("\r")
    assert "looking at the tracks: 1 of 2" in lines
    assert "writing the book" in lines
    assert "0 of 2 fields: 0 mapped, 0 there already, 0 failed" in lines
    assert any(re.fullmatch(r"1 of 2 fields: 1 mapped, .*; \d+ s left", line) for line in lines)
    assert lines[-1] == ""
    _, _, err = covermap("season", file, "--out", tmp_path / "out", "--quiet")
    assert err == ""


def test_one_thread_where_it_is_asked_for(monkeypatch):
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    monkeypatch.delenv("COVERMAP_THREADS", raising=False)
    assert core_count() == cores
    with limit_threads(1):
        assert core_count() == 1
        with limit_threads(1000):
            assert core_count() == 1
        assert core_count() == 1
    assert core_count() == cores
    monkeypatch.setenv("COVERMAP_THREADS", "1")
    assert core_count() == 1
    for wrong in ("0", "two", "-1", "1.5"):
        monkeypatch.setenv("COVERMAP_THREADS", wrong)
        with pytest.raises(SettingsError, match=f"COVERMAP_THREADS={wrong}"):
            core_count()


def test_a_season_job_uses_one_thread(covermap, tmp_path, monkeypatch):
    seen = []
    real = field.map_field

    def watched(*arguments):
        seen.append(core_count())
        return real(*arguments)

    monkeypatch.setattr(field, "map_field", watched)
    file = write_season(tmp_path / "tracks", 1)
    covermap("season", file, "--out", tmp_path / "out")
    assert seen == [1]


WIND_OF_ANOTHER_DAY = "time,speed_m_s,direction\n2026-07-01T12:00Z,5,270\n2026-07-01T13:00Z,5,270\n"


def test_what_a_field_warns_of_reaches_terminal_list_and_book(covermap, tmp_path):
    """A wind record of another day: the field is mapped in still air, and that is no calm day."""
    file, out = write_season(tmp_path / "tracks", 1), tmp_path / "out"
    wind = tmp_path / "wind.csv"
    wind.write_text(WIND_OF_ANOTHER_DAY, "utf-8")
    for again in (False, True):  # a field that is there already warns again
        code, text, _ = covermap("season", file, "--out", out, "--wind-file", wind)
        assert code == 0
        assert "1 mapped before" in text if again else "1 mapped now" in text
        assert "Warning: field-0: no wind is known for" in text
    (row,) = json.loads((out / "season.json").read_text("utf-8"))["fields"]
    assert len(row["warnings"]) == 1
    book = (out / "season.html").read_text("utf-8")
    assert "look at this first" in book
    assert "check date and time zone" in book
    table = pd.read_parquet(out / "fields.parquet")
    assert "no wind is known for" in table["warnings"].iloc[0]
    for column in ("wind_speed_m_s", "wind_from_deg", "crosswind_max_m_s", "wind_height_m"):
        assert table[column].isna().all(), column
    ranked = pd.read_csv(out / "rankings.csv")
    assert list(ranked.loc[ranked["ranking"] == "wind", "what"]) == ["no wind known"]
    passes_found = pd.read_parquet(out / "passes.parquet")
    assert passes_found[["wind_speed_m_s", "wind_from_deg"]].isna().all(axis=None)


def test_a_calm_blows_from_nowhere(covermap, tmp_path):
    file, out = write_season(tmp_path / "tracks", 1), tmp_path / "out"
    code, text, _ = covermap("season", file, "--out", out, "--wind-speed", "0", "--wind-from", "0")
    assert code == 0
    assert "Warning" not in text
    table = pd.read_parquet(out / "fields.parquet")
    assert table["wind_speed_m_s"].iloc[0] == 0
    assert table["wind_from_deg"].isna().all()
    assert "look at this first" not in (out / "season.html").read_text("utf-8")


def test_failed_fields_are_told_even_where_all_else_is_quiet(covermap, tmp_path):
    folder = tmp_path / "tracks"
    write_season(folder, 1)
    (folder / "broken.csv").write_text("time,longitude,latitude\n1,2\n")
    words = ("season", folder / "season.toml", "--out", tmp_path / "out", "--quiet")
    code, text, err = covermap(*words)
    assert (code, text) == (3, "")
    assert err.startswith("Not mapped: broken (broken.csv): ")
    assert err.count("\n") == 1


def test_a_missing_setting_is_not_to_be_given_to_every_field_unawares(covermap, tmp_path):
    folder = tmp_path / "tracks"
    write_track(folder / "a.csv", passes(length_m=60))
    code, text, _ = covermap("season", folder, "--out", tmp_path / "out")
    assert code == 3
    assert '[crop] kind is missing. Give [crop] kind = "wheat".' in text
    assert "In a season an option holds for every field" in text
    assert "[defaults] of a season file" in text


def test_a_folder_without_fields_is_no_season(covermap, tmp_path):
    folder, out = tmp_path / "tracks", tmp_path / "out"
    folder.mkdir()
    (folder / "notes.txt").write_text("wet")
    code, text, err = covermap("season", folder, "--out", out)
    assert (code, text) == (2, "")
    assert f"{folder}: no field in it. Expected field files (.toml)" in err
    assert "Left out: notes.txt: no track" in err
    assert not out.exists()


def test_seasons_of_one_name_are_told_apart_by_their_years(covermap, tmp_path):
    for year in (2025, 2026):
        text = DEFAULTS.replace('name = "Invented season"', f'name = "Harvest"\nyear = {year}')
        file = write_season(tmp_path / "tracks", 1, text=text)
        before = ("--previous", tmp_path / "2025") if year == 2026 else ()
        assert covermap("season", file, "--out", tmp_path / str(year), *before)[0] == 0
    book = (tmp_path / "2026" / "season.html").read_text("utf-8")
    assert "Harvest 2026" in book
    assert "Against Harvest 2025" in book
