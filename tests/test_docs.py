"""Docs are complete: every command, option, setting, column, key and error has its place."""

import json
import re
from pathlib import Path

import pytest

from covermap import errors
from covermap.cli.commands import commands
from covermap.cli.options import option_name
from covermap.cli.sample_command import write_sample
from covermap.cover.strips import STRIP_COLUMNS
from covermap.harvest.clean_track import REASONS
from covermap.harvest.track import TRACK_COLUMNS
from covermap.settings.field_settings import SETTINGS
from covermap.tables.said import filled

ROOT = Path(__file__).parents[1]
COMMANDS = (ROOT / "docs" / "commands.md").read_text("utf-8")
TABLES = (ROOT / "docs" / "tables.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")


def test_every_command_and_option_is_documented():
    for name, command in commands.commands.items():
        assert f"## covermap {name} " in COMMANDS
        for parameter in command.params:
            for option in parameter.opts:
                if option.startswith("--") and option != "--help":
                    assert f"`{option}" in COMMANDS, f"{name} {option}"


def test_every_setting_is_documented_with_its_option_and_default():
    for setting in SETTINGS:
        row = next(
            line
            for line in COMMANDS.split("\n")
            if f"| `[{setting.section}] {setting.key}`" in line
        )
        assert setting.meaning in row
        assert filled(setting.why) in row
        if setting.key != "track":
            assert f"`--{option_name(setting)}`" in row
        if isinstance(setting.default, float):
            assert f"{setting.default:g}" in row


def test_every_error_is_documented():
    for name in dir(errors):
        if name.endswith("Error"):
            assert f"`{name}`" in COMMANDS


def test_every_column_and_reason_is_documented():
    for name in (*TRACK_COLUMNS, *STRIP_COLUMNS, *REASONS):
        assert f"`{name}`" in TABLES, name


@pytest.fixture(scope="module")
def outputs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("docs")
    from covermap.cli.commands import commands as run

    field = write_sample(folder, "barley")
    run(["map", str(field), "--out", str(folder / "out"), "--cell", "2", "--quiet"],
        standalone_mode=False)  # fmt: skip
    return folder / "out"


def test_every_output_file_pass_column_and_summary_key_is_documented(outputs):
    import geopandas as gpd

    for file in outputs.iterdir():
        assert f"`{file.name}`" in COMMANDS or file.name in TABLES
        assert file.name in README
    for column in gpd.read_file(outputs / "passes.gpkg").columns:
        if column != "geometry":
            assert f"`{column}`" in TABLES, column

    def keys(content, path=()):
        for key, value in content.items():
            yield (*path, key)
            if isinstance(value, dict) and (*path, key) not in {
                ("settings",), ("inputs_sha256",), ("fixes", "removed"),
            }:  # fmt: skip
                yield from keys(value, (*path, key))

    content = json.loads((outputs / "summary.json").read_text("utf-8"))
    for path in keys(content):
        assert f"`{path[-1]}`" in TABLES, path


def test_links_in_the_docs_lead_somewhere():
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")):
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_readme_opens_with_one_paragraph_and_two_commands():
    blocks = re.findall(r"^```\n(.*?)\n```$", README, re.S | re.M)
    assert not README.startswith("#")
    assert "map sample_fields" in blocks[0]
    assert "pytest" in blocks[1]
    assert all("\n" not in block for block in blocks[:2])


def test_nothing_else_is_visible_at_the_top_level():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "covermap", "tests",
               "sample_fields", "docs"}  # fmt: skip
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    # what runs of the README's commands and the build leave behind is ignored by git
    made = {"wheat_map", "build", "dist"} | {n for n in seen if n.endswith(".egg-info")}
    assert seen - made <= allowed
