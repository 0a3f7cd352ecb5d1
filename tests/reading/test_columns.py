"""Headers as people write them, told apart by name and unit."""

import pytest

from covermap.cli.options import in_options
from covermap.errors import SettingsError
from covermap.harvest.track import TRACK, TRACK_COLUMNS
from covermap.reading.columns import has_obvious_unit, recognise
from covermap.reading.table_kind import Overrides, plain_name
from covermap.settings.pass_table import PASSES
from covermap.tables import read_table
from covermap.tray_test.tray_columns import TRAYS
from covermap.units import KINDS, unit_factor
from covermap.wind.wind_columns import WIND

KG_PER_BUSHEL_OF_WHEAT = 60 * 0.45359237  # 60 lb, Ohio State Univ. AGF-503


def one(header, **more):
    (found,) = recognise([header], TRACK, Overrides(**more))
    return found


ALL_KINDS = {kind.table: kind for kind in (TRACK, WIND, TRAYS, PASSES)}


def test_every_synonym_has_a_source_and_a_declared_column():
    for number, row in enumerate(read_table("column_synonyms"), 2):
        assert row["source"].strip(), f"line {number}"
        assert row["canonical"] in ALL_KINDS[row["table"]].columns, f"line {number}"
        assert plain_name(row["synonym"]), f"line {number}"


def test_every_writing_of_a_unit_has_a_source_and_stands_for_a_known_unit():
    for row in read_table("unit_writings"):
        assert row["source"].strip()
        assert unit_factor(row["unit"], row["kind"], 1.0) is not None, row


@pytest.mark.parametrize("table", ALL_KINDS)
def test_a_synonym_stands_for_one_column_of_a_table(table):
    """Only what trays caught may be weight or depth; its unit decides."""
    seen = {}
    for row in read_table("column_synonyms"):
        if row["table"] == table:
            seen.setdefault(plain_name(row["synonym"]), []).append(row["canonical"])
    several = {name: columns for name, columns in seen.items() if len(columns) > 1}
    assert all(columns == ["weight", "depth"] for columns in several.values()), several
    assert bool(several) == (table == "trays")


def test_every_column_is_known_by_its_own_name_and_has_a_known_kind():
    for name, column in TRACK_COLUMNS.items():
        assert column.name == name
        assert TRACK.named(name) == name
        assert column.kind in {*KINDS, "instant", "flag", "text", "word"}
        assert column.meaning
        found = one(name)
        assert (found.column, found.factor) == (name, 1.0)
        if not has_obvious_unit(column.kind) and name not in ("easting", "northing"):
            assert found.unit_told


# Factors: NIST SP 811 (2008) appendix B.8, except where they follow from SI alone.
@pytest.mark.parametrize(
    ("header", "column", "factor"),
    [
        ("Speed (mph)", "speed_m_s", 0.44704),
        ("speed_mps", "speed_m_s", 1.0),
        ("SpeedKmh", "speed_m_s", 1 / 3.6),
        ("Ground Speed [km/h]", "speed_m_s", 1 / 3.6),
        ("speed kn", "speed_m_s", 0.5144444444),
        ("Geschwindigkeit (km/h)", "speed_m_s", 1 / 3.6),
        ("vitesse (m s-1)", "speed_m_s", 1.0),
        ("grain_flow_kgps", "grain_flow_kg_s", 1.0),
        ("Flow(lb/s)", "grain_flow_kg_s", 0.45359237),
        ("flow kg s^-1", "grain_flow_kg_s", 1.0),
        ("FLOW.T.PER.H", "grain_flow_kg_s", 1000 / 3600),
        ("Width_ft", "header_width_m", 0.3048),
        ("distance [in]", "distance_m", 0.0254),
        ("grain_kg", "grain_mass_kg", 1.0),
        ("Grain Mass (lb)", "grain_mass_kg", 0.45359237),
        ("yield_lb_ac", "grain_yield_t_ha", 1.120851e-3),
        ("Yield (dt/ha)", "grain_yield_t_ha", 0.1),
        ("duration_s", "interval_s", 1.0),
        ("interval (ms)", "interval_s", 0.001),
        ("moisture", "moisture_pct", 1.0),
        ("baled_share_%", "baled_share", 0.01),
        ("heading_de", "heading_deg", 1.0),
        ("Längengrad", "longitude", 1.0),
        ("LAT", "latitude", 1.0),
    ],
)
def test_header_tells_column_and_unit(header, column, factor):
    found = one(header)
    assert found.column == column
    assert found.factor == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize("header", ["yield_bu_ac", "Yield (bu/acre)", "yield bushels per acre"])
def test_bushels_need_the_crop(header):
    with pytest.raises(SettingsError, match="Name the crop") as caught:
        one(header)
    assert "--crop" in caught.value.told(in_options)
    found = one(header, kg_per_bushel=KG_PER_BUSHEL_OF_WHEAT)
    # 1 bu/ac of 60 lb wheat is 0.0673 t/ha (Iowa State Univ. Extension C6-80, from memory)
    assert found.factor == pytest.approx(0.0673, abs=5e-5)


@pytest.mark.parametrize("header", ["colour", "form", "speedy", "operator", "", "flow direction"])
def test_a_foreign_header_is_left_alone(header):
    assert recognise([header], TRACK) == []


def test_a_bare_header_tells_no_unit():
    assert not one("Speed").unit_told
    assert not one("Speed (GPS)").unit_told
    assert one("Speed (GPS)").column == "speed_m_s"


def test_a_unit_of_the_wrong_kind_is_refused_unless_the_person_says():
    with pytest.raises(SettingsError, match="gal/min") as caught:
        one("Flow (gal/min)")
    assert "--unit grain_flow_kg_s=…" in caught.value.told(in_options)
    found = one("Flow (gal/min)", units={"flow": "lb/s"})
    assert found.factor == pytest.approx(0.45359237)


def test_covermaps_own_name_wins_over_a_look_alike_whatever_the_order():
    headers = ["x", "Velocity", "speed_m_s", "Ground speed (mph)"]
    found = {r.column: r.header for r in recognise(headers, TRACK)}
    assert found == {"easting": "x", "speed_m_s": "speed_m_s"}


@pytest.mark.parametrize("key", ["flow", "grain_flow_kg_s", "Grain Flow"])
def test_override_by_alias_or_name(key):
    found = one("Yld_raw", columns={key: "Yld_raw"}, units={key: "lb/s"})
    assert (found.column, found.unit) == ("grain_flow_kg_s", "lb/s")
    assert found.factor == pytest.approx(0.45359237)


def test_override_takes_the_unit_in_the_header():
    assert one("Raw_lb_s", columns={"flow": "Raw_lb_s"}).factor == pytest.approx(0.45359237)


def test_override_beats_the_table():
    headers = ["speed", "wheel"]
    found = recognise(headers, TRACK, Overrides(columns={"speed": "wheel"}))
    assert [(r.header, r.column) for r in found] == [("wheel", "speed_m_s")]


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({"columns": {"flow": "Yld_rw"}}, "Yld_raw"),
        ({"columns": {"flwo": "Yld_raw"}}, "flow"),
        ({"units": {"speed": "mph"}}, "--column speed"),
        ({"columns": {"flow": "Yld_raw"}, "units": {"flow": "mph"}}, "lb/s"),
        ({"columns": {"section": "Yld_raw"}, "units": {"section": "m"}}, "no unit"),
    ],
)
def test_wrong_overrides_say_what_would_be_right(said, expected):
    with pytest.raises(SettingsError) as caught:
        one("Yld_raw", **said)
    assert expected in caught.value.told(in_options)
