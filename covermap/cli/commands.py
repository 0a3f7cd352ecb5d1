"""The command line: thin commands; every error becomes one message and an exit code.

Exit codes: 0 done; 1 a fault of covermap's own; 2 wrong input or option; 130 stopped by
the person.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from covermap import __version__
from covermap.cli.compare_command import compare_command
from covermap.cli.export_command import export_command
from covermap.cli.options import (
    extra_source_options,
    in_options,
    open_source,
    progress_bar,
    setting_options,
    settings_of,
    source_options,
)
from covermap.cli.plan_command import plan_command
from covermap.cli.range_command import range_command
from covermap.cli.report_command import report_command
from covermap.cli.season_command import season_command
from covermap.errors import CovermapError
from covermap.settings.field_settings import SECTIONS


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="covermap")
def commands() -> None:
    """Map where straw and chaff landed behind the combine, and advise how to spread evenly."""


@commands.command("map")
@source_options
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the results."
)
@setting_options()
@click.option("--us-units", is_flag=True, help="Show feet, acres and pounds.")
@click.option("--quiet", is_flag=True, help="Print nothing but errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the content of summary.json.")
def map_command(
    source: Path,
    out: Path,
    us_units: bool,
    quiet: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Map the residue of SOURCE, a field file (.toml) or a bare harvest track.

    With a bare track --crop, --cut-width and --spread-width suffice, and --grain-yield
    where the track carries no yield.
    """
    with progress_bar(show=not quiet and not as_json) as tell:
        tell("reading")
        opened = open_source(source, options)
        from covermap.field.whole_field import map_field
        from covermap.files.folder_lock import folder_lock
        from covermap.mapped.write_results import write_results
        from covermap.plan.plan_field import plan_field, wants_plan

        with folder_lock(out):
            result = map_field(opened.track, opened.settings, opened.boundary, tell, opened.wind)
            plan = plan_field(result) if wants_plan(opened.settings) else None
            files = write_results(
                result, out, opened.inputs, us_units=us_units, progress=tell, plan=plan
            )
    from covermap.drawing.caution import CAUTION
    from covermap.mapped.summary import cause_lines, facts, summary, top_strip_lines

    if as_json:
        click.echo(json.dumps(summary(result, opened.inputs), indent=2, ensure_ascii=False))
        return
    if quiet:
        return
    click.echo(f"{result.name}: {result.crop.kind}, {len(result.passes)} passes")
    lines = facts(result, us_units)
    width = max(len(label) for label, _ in lines)
    for label, value in lines:
        click.echo(f"  {label:<{width}}  {value}")
    strips = top_strip_lines(result, us_units)
    if strips:
        click.echo("Why strips are there:")
        for line in cause_lines(result, us_units):
            click.echo(line)
        shown_strips = f"{len(strips) // 2} of {len(result.strips)}"
        click.echo(f"Strips that matter most ({shown_strips}):")
        for line in strips:
            click.echo(line)
    else:
        click.echo("No gap or double strip long enough to act on.")
    if plan is not None:
        from covermap.plan.plan_text import work_lines

        click.echo("What to do next (covermap plan says why):")
        for line in work_lines(plan, us_units):
            click.echo(line)
    for note in result.notes:
        click.echo(note.note(us_units))
    click.echo(f"{len(result.assumptions)} assumptions filled holes; covermap check lists them.")
    click.echo(f"Written to {out}: {', '.join(files)}")
    click.echo(CAUTION)


@commands.command("check")
@source_options
@setting_options()
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def check_command(source: Path, as_json: bool, **options: Any) -> None:
    """Say what was recognised in SOURCE, which track points would be left out and what is assumed.

    Writes nothing. Missing settings are listed, not refused.
    """
    opened = open_source(source, options)
    from covermap.mapped.check import check_report, check_text

    report = check_report(opened.track, opened.settings, in_options)
    if as_json:
        click.echo(json.dumps(report, indent=2, ensure_ascii=False))
    else:
        click.echo(check_text(report))


@commands.command("advise")
@setting_options(*(name for name in SECTIONS if name != "plan"))
@click.option(
    "--heading",
    "headings",
    type=float,
    multiple=True,
    metavar="DEG",
    help="Heading to advise for, instead of the track's own. May be repeated.",
)
@click.option("--spacing", metavar="TEXT", help="Pass spacing; the track's or the cut width else.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the settings card.")
@click.option("--us-units", is_flag=True, help="Show feet and miles per hour.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@extra_source_options
@click.argument("source", required=False, type=click.Path(path_type=Path))
def advise_command(
    source: Path | None,
    headings: tuple[float, ...],
    spacing: str | None,
    out: Path | None,
    us_units: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Advise reach and lean for this cut width, crop and wind, heading by heading.

    From SOURCE, a field file or track, or from options alone (then --crop, --cut-width,
    --spread-width and --heading are needed).
    """
    from covermap.advice.advice_text import advice_json, advice_lines
    from covermap.advice.advise_field import advise
    from covermap.field.harvest_record import read_harvest
    from covermap.field.open_field import with_profile
    from covermap.settings.field_file import build_settings
    from covermap.units import read_quantity
    from covermap.wind.wind_file import read_wind
    from covermap.wind.wind_on_fixes import stated_wind

    harvest = wind = None
    if source is None:
        settings = build_settings({}, settings_of(options))
        profile = settings.spread.profile_file
        if profile is not None:
            settings = with_profile(settings, Path(profile))
        file = settings.wind.file
        if file is not None:
            wind = read_wind(Path(file), height_m=settings.wind.height_m)
        name = "Settings"
    else:
        opened = open_source(source, options)
        settings, wind = opened.settings, opened.wind
        harvest = read_harvest(opened.track, settings, opened.boundary, wind)
        name = settings.field.name or opened.track.source.rsplit(".", 1)[0]
    advice = advise(
        settings,
        wind=wind or stated_wind(settings),
        harvest=harvest,
        headings_deg=headings,
        spacing_m=None if spacing is None else read_quantity(spacing, "length", "--spacing"),
    )
    if out is not None:
        from covermap.advice.advice_card import advice_card
        from covermap.files.write_whole import whole_files

        with whole_files(out) as folder:
            card = advice_card(advice, title=str(name), us_units=us_units)
            (folder / "settings_card.svg").write_text(card, "utf-8")
    if as_json:
        click.echo(json.dumps(advice_json(advice), indent=2, ensure_ascii=False))
        return
    for line in advice_lines(advice, us_units):
        click.echo(line)
    if out is not None:
        click.echo(f"Card to take along: {out / 'settings_card.svg'}")


@commands.command("trays")
@click.argument("test", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for results.")
@click.option("--tray-width", metavar="TEXT", help="Width of a tray across the band [m].")
@click.option("--tray-length", metavar="TEXT", help="Length of a tray along the travel [m].")
@click.option("--tray-area", metavar="TEXT", help="Area of a tray [m2].")
@click.option("--moisture", metavar="TEXT", help="Moisture of what was weighed [%].")
@click.option("--cv-limit", default="15", show_default=True, help="Largest CV accepted [%].")
@click.option("--keep-all-runs", is_flag=True, help="Keep runs that disagree with their fellows.")
@click.option("--us-units", is_flag=True, help="Show feet.")
def trays_command(
    test: Path,
    out: Path,
    tray_width: str | None,
    tray_length: str | None,
    tray_area: str | None,
    moisture: str | None,
    cv_limit: str,
    keep_all_runs: bool,
    us_units: bool,
) -> None:
    """Measure the spread from a tray test TEST (CSV of weights across the band).

    Writes profile.toml, which a field file can name as [spread] profile_file, and trays.svg.
    """
    from covermap.files.write_whole import whole_files
    from covermap.tray_test.profile_writer import profile_file_text
    from covermap.tray_test.tray_file import read_tray_test
    from covermap.tray_test.tray_plot import tray_plot
    from covermap.tray_test.tray_report import tray_lines
    from covermap.tray_test.trays import measure_profile
    from covermap.units import read_quantity

    def given(text: str | None, kind: str, option: str) -> float | None:
        return None if text is None else read_quantity(text, kind, option)

    limit = read_quantity(cv_limit, "percent", "--cv-limit")
    if limit <= 0:
        raise click.UsageError(f"--cv-limit {cv_limit!r}: expected more than 0 %.")
    read = read_tray_test(
        test,
        tray_width_m=given(tray_width, "length", "--tray-width"),
        tray_length_m=given(tray_length, "length", "--tray-length"),
        tray_area_m2=given(tray_area, "area", "--tray-area"),
        moisture_pct=given(moisture, "percent", "--moisture"),
    )
    profile = measure_profile(read, keep_all_runs=keep_all_runs)
    plot = tray_plot(profile, title=test.stem, cv_limit_pct=limit, us_units=us_units)
    with whole_files(out) as folder:
        text = profile_file_text(profile, read.metadata, f"covermap trays {test.name}")
        (folder / "profile.toml").write_text(text, "utf-8")
        (folder / "trays.svg").write_text(plot, "utf-8")
    lines = tray_lines(profile, cv_limit_pct=limit, us_units=us_units)
    width = max(len(label) for label, _ in lines)
    for label, value in lines:
        click.echo(f"  {label:<{width}}  {value}")
    click.echo(f"Written to {out}: profile.toml, trays.svg")


@commands.command("sample")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--field",
    "name",
    default="wheat",
    show_default=True,
    help="Which sample: wheat, corn, barley, oats or canola.",
)
def sample_command(folder: Path, name: str) -> None:
    """Write a ready sample field (invented) into FOLDER, to start with."""
    from covermap.cli.sample import write_sample

    field_file = write_sample(folder, name)
    click.echo(f"Wrote {field_file} and its track (invented data).")
    click.echo(f"Next: covermap map {field_file} --out {folder / 'out'}")


commands.add_command(compare_command)
commands.add_command(plan_command)
commands.add_command(range_command)
commands.add_command(report_command)
commands.add_command(export_command)
commands.add_command(season_command)


def main() -> None:
    """Run the command line and end with its exit code."""
    try:
        commands(standalone_mode=False)
    except CovermapError as error:
        _fail(error.told(in_options), 2)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        sys.exit(2)
    except click.UsageError as error:
        _fail(error.format_message(), error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _fail("Stopped; nothing half-written was left.", 130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:  # a person never sees a traceback
        if os.environ.get("COVERMAP_DEBUG"):
            raise
        _fail(
            f"covermap has a fault of its own ({type(error).__name__}: {error}). Nothing "
            "half-written was left. Please report it with the command; COVERMAP_DEBUG=1 shows "
            "where it happened.",
            1,
        )


def _fail(message: str, code: int) -> None:
    click.echo(f"Error: {message}", err=True)
    sys.exit(code)
