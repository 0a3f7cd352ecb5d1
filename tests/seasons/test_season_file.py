"""What a season file may say, which statement wins, and which files are fields."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from season_builders import passes, write_track

from covermap.errors import SettingsError
from covermap.field.open_field import find_inputs, over
from covermap.seasons.find_fields import find_entries, jobs_of, slug
from covermap.seasons.job import Look
from covermap.seasons.season_file import checked_sections, read_season
from covermap.settings.field_file import build_settings


def season_file(folder, text):
    (folder / "season.toml").write_text(text, "utf-8")
    return folder / "season.toml"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[seasons]\nname = "x"', "'seasons'.*'season'"),
        ('[season]\nnam = "x"', "'nam'.*'name'"),
        ('[season]\nname = "x"', "names no field"),
        ("[season]\nyear = true", "year: True is no year. Expected a whole number"),
        ('[season]\nfolder = "nowhere"', "'nowhere' is no folder"),
        ('[defaults.crop]\nkint = "wheat"', "'kint'.*'kind'"),
        ('[defaults.crop]\nkind = "wheet"', r"\[defaults\].*wheet"),
        ('[defaults.crops]\nkind = "wheat"', "'crops'.*'crop'"),
        ('[defaults.field]\ntrack = "a.csv"', "belongs to one field"),
        ('[defaults.spread]\nwidth = "-3 m"', r"\[defaults\].*out of range"),
        ('[[fields]]\nfile = "a.toml"\ntrack = "a.csv"', "Give either file"),
        ('[[fields]]\nfile = "a.csv"', "ends in .toml"),
        ('[[fields]]\nfile = "a.toml"\n[fields.spred]\nwidth = 3', "'spred'.*'spread'"),
        ('[[fields]]\nfile = "a.toml"\n[fields.spread]\nwith = 3', "'with'.*'width'"),
        ('[[fields]]\nfile = "a.toml"\n[fields.field]\nname = "A"', "Write it beside the file"),
        ('[[tracks]]\nfile = "a.csv"', "Say how to part"),
        ('[[tracks]]\nfile = "a.csv"\nsplit = "gaps"\nboundaries = "b.geojson"', "Say how to part"),
        ('[[tracks]]\nfile = "a.csv"\nsplit = "time"', 'Expected "gaps"'),
        ('[[tracks]]\nfile = "a.csv"\nsplit = "gaps"\ngap = "0 m"', "out of range"),
        ('[[tracks]]\nfile = "a.csv"\nboundaries = "b.geojson"\ngap = 5', "gap does not go with"),
        ('[fields]\nfile = "a.toml"', r"Write it as \[\[fields\]\]"),
        ('[field]\ntrack = "a.csv"', "a field file, no season file"),
        ("[season", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_named_with_the_way_out(tmp_path, text, words):
    with pytest.raises(SettingsError, match=words) as caught:
        read_season(season_file(tmp_path, text))
    assert str(caught.value).startswith("season.toml: ")


def test_defaults_field_file_overrides_options_win_in_this_order(tmp_path):
    (tmp_path / "a.toml").write_text(
        '[field]\ntrack = "a.csv"\n[crop]\ncut_height = 0.2\ngrain_yield = 5\n'
        "[spread]\nreach_left = 3\nreach_right = 4\n[wind]\nspeed = 2\nfrom_deg = 10\n"
    )
    defaults = {
        "crop": {"kind": "wheat", "cut_height": 0.1, "grain_yield": 4, "grain_moisture_pct": 12},
        "spread": {"width": "8 m"},
        "wind": {"file": "/wind.csv"},
    }
    overrides = {"crop": {"grain_yield": 6}, "spread": {"width": "30 ft"}}
    options = {"crop": {"grain_yield": "7 t/ha"}}

    def built(above):
        return find_inputs(tmp_path / "a.toml", defaults=defaults, overrides=above).settings

    own = built({})
    assert own.crop.kind == "wheat"
    assert own.crop.grain_moisture_pct == 12
    assert own.crop.cut_height_m == 0.2
    # a reach in the field file takes back the width below it, and one wind the wind file
    assert (own.spread.width_m, own.spread.reach_left_m) == (None, 3)
    assert (own.wind.file, own.wind.speed_m_s) == (None, 2)
    overridden = built(overrides)
    assert overridden.crop.grain_yield_t_ha == 6
    assert overridden.spread.width_m == pytest.approx(30 * 0.3048)
    assert overridden.spread.reach_left_m is None
    assert built(over(overrides, options)).crop.grain_yield_t_ha == 7


_VALUES = {
    "crop": {"grain_yield": 5.0, "cut_height": 0.2},
    "spread": {"width": 8.0, "lean": 1.0, "profile": "bell"},
    "grid": {"cell": 1.0},
}
_SECTIONS = st.fixed_dictionaries(
    {},
    optional={
        section: st.fixed_dictionaries({}, optional={k: st.just(v) for k, v in content.items()})
        for section, content in _VALUES.items()
    },
)


@given(_SECTIONS, _SECTIONS, _SECTIONS)
def test_laying_sections_over_each_other_may_be_done_in_any_grouping(one, two, three):
    merged = over(over(one, two), three)
    assert merged == over(one, over(two, three))
    assert over(one, {}) == one
    assert over({}, one) == one
    build_settings(merged)


def test_files_that_a_season_names_lie_beside_it(tmp_path):
    sections = checked_sections({"wind": {"file": "w.csv"}}, tmp_path, "")
    assert sections == {"wind": {"file": str(tmp_path / "w.csv")}}
    profile = tmp_path / "deep" / "a.csv"
    inputs = find_inputs(profile, defaults={"crop": {"kind": "wheat"}, **sections})
    assert inputs.wind == tmp_path / "w.csv"
    assert inputs.track == profile


def test_bushels_of_a_default_wait_for_the_crop_of_the_field(tmp_path):
    checked_sections({"crop": {"grain_yield": "80 bu/ac"}}, tmp_path, "")
    with pytest.raises(SettingsError, match="grain_yield"):
        checked_sections({"crop": {"kind": "wheat", "grain_yield": "80 bu/xy"}}, tmp_path, "")


def test_a_folder_is_sorted_into_fields_and_files_left_out_with_a_reason(tmp_path):
    for name in ("named.csv", "bare.csv", "deep/bare.csv", "out/old.csv", "done/track.csv"):
        write_track(tmp_path / name, passes())
    (tmp_path / "done" / "summary.json").write_text("{}")
    (tmp_path / "deep" / "again").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / ".hidden.csv").write_text("longitude,latitude\n1,2\n")
    outline = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}
    areas = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "properties": {}, "geometry": outline}],
    }
    texts = {
        "named.toml": '[field]\ntrack = "named.csv"\nboundary = "line.geojson"\n'
        '[wind]\nfile = "wind.csv"\n',
        "faulty.toml": "[field\n",
        "profile.toml": "[spread]\nshares = [1]\n",
        "other.toml": "[tool]\nx = 1\n",
        "season2.toml": '[season]\nfolder = "."\n',
        "wind.csv": "time,speed,direction\n2026-08-01T12:00Z,3,200\n",
        "wind2.csv": "time,speed,direction\n2026-08-01T12:00Z,3,200\n",
        "trays.csv": "position,weight\n0,12\n",
        "rules.csv": "passes,width\n3-7,8\n",
        "line.geojson": json.dumps(areas),
        "areas.geojson": json.dumps(areas),
        "empty.csv": "",
        "cut.geojson": '{"type": "FeatureColl',
        "settings.json": "{}",
        "notes.txt": "the east headland was wet",
        "photo.png": "PNG",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text, "utf-8")
    entries, skipped = find_entries(read_season(tmp_path), tmp_path / "out")
    found = {e.source.relative_to(tmp_path).as_posix() for e in entries}
    # broken files of a track's kind stay in: their row says what is wrong with them
    assert found == {
        "named.toml", "faulty.toml", "bare.csv", "deep/bare.csv", "empty.csv", "cut.geojson",
    }  # fmt: skip
    reasons = {one.source: one.reason for one in skipped}
    assert set(reasons) == {
        "profile.toml", "other.toml", "season2.toml", "wind2.csv", "trays.csv", "rules.csv",
        "areas.geojson", "settings.json", "notes.txt", "photo.png",
    }  # fmt: skip
    assert "areas" in reasons["areas.geojson"]
    assert "positions" in reasons["wind2.csv"]
    assert "season file" in reasons["season2.toml"]
    assert "trays" in reasons["profile.toml"]


def test_entries_of_the_season_file_are_not_found_again(tmp_path):
    for name in ("a.csv", "b.csv", "week.csv"):
        write_track(tmp_path / name, passes())
    (tmp_path / "fields.geojson").write_text("{}")
    file = season_file(
        tmp_path,
        '[season]\nfolder = "."\n[[fields]]\ntrack = "a.csv"\nname = "Ä"\nmachine = "combine 1"\n'
        '[[tracks]]\nfile = "week.csv"\nboundaries = "fields.geojson"\n',
    )
    season = read_season(file)
    entries, skipped = find_entries(season, tmp_path / "out")
    assert [e.source.name for e in entries] == ["a.csv", "week.csv", "b.csv"]
    assert skipped == []
    looks = {
        1: Look(((2, "North forty", None), (7, "Süd", None)), fixes=900, outside=30),
        2: Look(((1, None, None), (2, None, "A, B")), fixes=100),
    }
    jobs, notes = jobs_of(season, entries, looks)
    assert [(j.field_id, j.name, j.machine, j.part_text) for j in jobs] == [
        ("a", "Ä", "combine 1", None),
        ("b-1", "b 1", None, "1 of 2"),
        ("b-2", "b 2", None, "2 of 2"),
        ("week-north-forty", "North forty", None, "1 of 2"),
        ("week-sud", "Süd", None, "2 of 2"),
    ]
    assert notes == ["week.csv: 30 of 900 fixes lie outside all boundaries and are in no map."]


def test_ids_are_apart_whatever_the_names_and_do_not_follow_the_order(tmp_path):
    names = ["a b.csv", "a-b.csv", "A_B.csv", "nul.csv", "поле.csv", "x" * 120 + ".csv"]
    for name in names:
        write_track(tmp_path / name, passes())
    season = read_season(tmp_path)
    entries, _ = find_entries(season, tmp_path / "out")
    jobs, _ = jobs_of(season, entries, {})
    back, _ = jobs_of(season, entries[::-1], {})
    assert [job.field_id for job in jobs] == [job.field_id for job in back]
    ids = {job.field_id for job in jobs}
    assert len(ids) == len(names)
    assert "nul" not in ids
    assert all(len(one) <= 100 for one in ids)


@given(st.text(min_size=1))
def test_an_id_is_a_safe_name_of_a_folder(text):
    made = slug(text)
    assert made == made.lower()
    assert made.isascii()
    assert made.replace("-", "").isalnum()
    assert not made.startswith("-")


def test_one_outline_driven_by_two_tracks_is_said(tmp_path):
    file = season_file(
        tmp_path,
        '[[tracks]]\nfile = "a.csv"\nboundaries = "f.geojson"\n'
        '[[tracks]]\nfile = "b.csv"\nboundaries = "f.geojson"\n',
    )
    season = read_season(file)
    look = Look(((1, "North", None),), fixes=10)
    jobs, notes = jobs_of(season, season.entries, {0: look, 1: look})
    assert [job.field_id for job in jobs] == ["a-north", "b-north"]
    assert "North was driven by 2 tracks (a.csv, b.csv): each is mapped on its own" in notes[0]


def test_the_folder_of_the_tracks_is_no_folder_for_results(tmp_path):
    with pytest.raises(SettingsError, match="Choose another"):
        find_entries(read_season(tmp_path), tmp_path)


def test_a_source_that_is_nothing(tmp_path):
    with pytest.raises(SettingsError, match="no such folder"):
        read_season(tmp_path / "no")
    track = write_track(tmp_path / "a.csv", passes())
    with pytest.raises(SettingsError, match="neither a folder nor a season file"):
        read_season(track)
