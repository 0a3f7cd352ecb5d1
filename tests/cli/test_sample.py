"""Sample fields: the same every time, marked as invented, and their truth is found again."""

import json
from pathlib import Path

import numpy as np
import pytest
from builders import told
from make_samples import MAKERS, make_sample, write_samples

from covermap.cli.sample_command import SAMPLE_NAMES, write_sample
from covermap.errors import OutputError, SettingsError

COMMITTED = Path(__file__).parents[2] / "sample_fields"


def truth_of(folder: Path, name: str) -> dict:
    write_sample(folder, name)
    return json.loads((folder / f"{name}_truth.json").read_text("utf-8"))


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_committed_files_are_what_the_script_makes(name):
    made = make_sample(name)
    for file_name, text in made.files.items():
        committed = (COMMITTED / name / file_name).read_text("utf-8")
        old, new = committed.split("\n"), text.split("\n")
        assert len(old) == len(new), file_name
        if file_name.endswith(".toml"):
            assert old == new
        if not file_name.endswith(".csv"):
            continue
        assert old[0] == new[0]
        # a projection library may round the eighth decimal the other way
        for a, b in list(zip(old, new, strict=True))[1::97]:
            for x, y in zip(
                a.replace(";", ",").split(","), b.replace(";", ",").split(","), strict=True
            ):
                assert x == y or abs(float(x) - float(y)) <= 2


def test_the_script_writes_all_that_is_shipped_and_nothing_else(tmp_path):
    assert tuple(MAKERS) == SAMPLE_NAMES
    write_samples(tmp_path)
    for name in SAMPLE_NAMES:
        made = {file.name: file for file in (tmp_path / name).iterdir()}
        assert made.keys() == {f.name for f in (COMMITTED / name).iterdir() if f.is_file()}
        truth = f"{name}_truth.json"
        old = json.loads((COMMITTED / name / truth).read_text("utf-8"))
        new = json.loads(made[truth].read_text("utf-8"))
        # a geometry library may round the last digit of an area the other way
        assert new == {k: pytest.approx(v) if type(v) is float else v for k, v in old.items()}


def test_every_sample_says_that_it_is_invented():
    for name in SAMPLE_NAMES:
        assert "Invented" in make_sample(name).files[f"{name}.toml"]


def test_a_sample_that_there_is_not_is_named_with_those_there_are(tmp_path):
    with pytest.raises(SettingsError, match="wheat, corn, barley, oats, canola"):
        write_sample(tmp_path / "a", "rye")
    assert not (tmp_path / "a").exists()


def test_a_sample_that_somebody_changed_is_left_alone(tmp_path):
    field = write_sample(tmp_path, "barley")
    assert write_sample(tmp_path, "barley") == field, "the same again is fine"
    field.write_text("mine", "utf-8")
    with pytest.raises(OutputError, match="already there and changed"):
        write_sample(tmp_path, "barley")
    assert field.read_text("utf-8") == "mine"


def test_wheat_truth_is_found(mapped_sample, tmp_path):
    result, truth = mapped_sample("wheat"), truth_of(tmp_path, "wheat")
    counts = result.ledger.counts()
    assert counts["duplicate"] == truth["duplicates"]
    assert counts["position spike"] == truth["position_spikes"]
    assert counts["header up"] == truth["header_up_fixes"]
    assert len(result.passes) == truth["passes"]
    assert result.harvested_m2 == pytest.approx(truth["area_m2"], rel=0.005)
    dry = truth["grain_wet_kg"] * (1 - truth["moisture_pct"] / 100)
    assert result.mass.grain_kg == pytest.approx(dry, rel=0.003)
    narrow = range(truth["narrow_passes"][0], truth["narrow_passes"][1] + 1)
    by_cv = result.passes.set_index("pass_id")["cv_pct"]
    windrow = range(truth["windrow_passes"][0], truth["windrow_passes"][1] + 1)
    others = by_cv.drop([*narrow, *windrow])
    assert by_cv[list(narrow)].min() > 2 * others.median()
    # gaps lie in the narrow spell and the windrow block, and hardly anywhere else
    gaps = result.strips[result.strips["kind"] == "gap"]
    faulty = {*narrow, *windrow, narrow[0] - 1, narrow[-1] + 1, windrow[0] - 1, windrow[-1] + 1}
    inside = gaps["passes"].map(lambda t: {int(p) for p in t.split(", ")} <= faulty)
    assert gaps.loc[inside, "area_m2"].sum() > 0.95 * gaps["area_m2"].sum()
    assert len(gaps) >= len(narrow) + len(windrow) - 2
    assert result.mass.baled_kg > 0


def test_corn_truth_is_found(mapped_sample, tmp_path):
    result, truth = mapped_sample("corn"), truth_of(tmp_path, "corn")
    assert len(result.passes) == truth["passes"]
    assert result.harvested_m2 == pytest.approx(truth["area_m2"], rel=0.005)
    assert result.mass.grain_kg == pytest.approx(truth["grain_dry_kg"], rel=0.002)
    # a flat band a fifth wider than the spacing lies twice on a fifth of the ground
    ratio = result.spread_ratio[np.isfinite(result.spread_ratio)]
    twice = truth["overlap_ratio_in_doubles"]
    assert np.percentile(ratio, 93) == pytest.approx(twice, abs=0.06)
    assert np.median(ratio) == pytest.approx(twice / 2, abs=0.03)
    doubles = result.strips[result.strips["kind"] == "double"]
    assert len(doubles) == truth["passes"] - 1
    assert doubles["width_m"].median() == pytest.approx(0.2 * truth["cut_width_m"], abs=0.5)
    assert result.passes["reach_left_m"].iloc[0] == pytest.approx(truth["spread_width_m"] / 2)


def test_barley_truth_is_found(mapped_sample, tmp_path):
    result, truth = mapped_sample("barley"), truth_of(tmp_path, "barley")
    assert abs(len(result.passes) - truth["laps"]) <= 1
    assert result.harvested_m2 == pytest.approx(truth["area_m2"], rel=0.02)
    assert result.passes["spacing_m"].median() == pytest.approx(truth["cut_width_m"], abs=0.3)
    grown = truth["grain_yield_t_ha"] / 10 * result.harvested_m2 * (1 - 0.145)
    assert result.mass.grain_kg == pytest.approx(grown, rel=1e-3)
    assert any("no time" in note for note in told(result.notes))
    assert (result.passes["lean_m"] == truth["lean_m"]).all()
