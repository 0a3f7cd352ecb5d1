"""What ``import covermap`` offers: the commands as functions."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from covermap.advice.advise_field import FieldAdvice
from covermap.comparison.compare_fields import Comparison
from covermap.door.answer import Answer
from covermap.door.arguments import said_in_python, settings_of
from covermap.door.field_map import FieldMap
from covermap.errors import SettingsError
from covermap.field.open_field import OpenField, open_field, settings_alone
from covermap.files.open_result import open_result as open_folder
from covermap.settings.field_file import with_stated
from covermap.sureness.perturb_field import FieldRange
from covermap.tray_test.trays import MeasuredProfile

Columns = Mapping[str, str]


@said_in_python
def read(
    source: str | Path,
    *,
    columns: Columns | None = None,
    units: Columns | None = None,
    pass_settings: str | Path | None = None,
    **settings: object,
) -> OpenField:
    """Read a field file or a bare harvest track with everything that belongs to it.

    Parameters
    ----------
    source : str or path
        Field file (``.toml``) or track.
    columns, units : mapping, optional
        Which header holds what, and in which unit.
    pass_settings : str or path, optional
        CSV of settings per pass.
    **settings
        Any setting by the name of its option, ``_`` for ``-``: ``crop="wheat"``,
        ``cut_width="35 ft"``. They win over the field file.

    Returns
    -------
    OpenField
        ``track`` (with ``fixes``, a table), ``settings``, ``boundary``, ``wind``.

    Raises
    ------
    CovermapError
        If a file or setting is wrong.
    """
    return open_field(
        Path(source),
        settings_of(settings),
        pass_settings=None if pass_settings is None else Path(pass_settings),
        columns=columns,
        units=units,
    )


@said_in_python
def map_field(
    source: str | Path | OpenField,
    *,
    progress: Callable[[str], None] | None = None,
    **how: Any,
) -> FieldMap:
    """Map where the residue of one harvest landed and what that means.

    Parameters
    ----------
    source : str, path or OpenField
        Field file, bare track, or what :func:`read` gave.
    progress : callable, optional
        Told the name of each step.
    **how
        ``columns``, ``units``, ``pass_settings`` and any setting, as for :func:`read`:
        ``crop="wheat"``, ``cut_width="35 ft"``, ``spread_width="30 ft"``.

    Returns
    -------
    FieldMap

    Raises
    ------
    CovermapError
        If a file or setting is wrong or does not allow a map.
    """
    from covermap.field.whole_field import map_field as map_whole_field

    opened = _opened(source, how)
    run = map_whole_field(opened.track, opened.settings, opened.boundary, progress, opened.wind)
    return FieldMap(run, opened.inputs)


@said_in_python
def open_result(folder: str | Path) -> FieldMap:
    """Read back a folder that ``covermap map`` or :meth:`FieldMap.write` wrote.

    Raises
    ------
    OutputError
        If it is no such folder, or a file in it is missing or damaged.
    """
    return FieldMap(open_folder(Path(folder)))


@said_in_python
def compare(a: str | Path, b: str | Path) -> Answer[Comparison]:
    """Compare two folders of results of one field: two settings, or two years.

    Raises
    ------
    CovermapError
        If a folder cannot be read or the two have no ground in common.
    """
    from covermap.comparison.compare_fields import compare_fields
    from covermap.comparison.compare_picture import compare_picture
    from covermap.comparison.compare_text import compare_json, compare_lines
    from covermap.comparison.write_compare import write_compare

    found = compare_fields(open_folder(Path(a)), open_folder(Path(b)))
    return Answer(
        found,
        compare_json(found),
        f"{Path(b).name} less {Path(a).name}, {found.common_m2 / 1e4:.2f} ha in common",
        lambda us: compare_lines(found, us),
        lambda us: compare_picture(found, us_units=us),
        lambda folder, us: write_compare(found, folder, us_units=us),
    )


@said_in_python
def how_sure(
    source: str | Path | OpenField,
    *,
    repeats: int = 200,
    seed: int = 1,
    progress: Callable[[str], None] | None = None,
    **how: Any,
) -> Answer[FieldRange]:
    """Say how far the numbers move if wind, width and yield are a little off.

    Parameters
    ----------
    source, **how
        As for :func:`map_field`.
    repeats : int
        How often the field is laid anew, 20 to 10,000.
    seed : int
        Start of the random numbers.
    progress : callable, optional
        Told the name of each step.

    Raises
    ------
    CovermapError
        If a file or setting is wrong or does not allow a map.
    """
    from covermap.sureness.perturb_field import perturb_field
    from covermap.sureness.range_plot import range_plot
    from covermap.sureness.range_text import range_json, range_lines
    from covermap.sureness.write_range import write_range

    opened = _opened(source, how)
    found = perturb_field(
        opened.track,
        opened.settings,
        opened.boundary,
        progress,
        opened.wind,
        repeats=repeats,
        seed=seed,
    )
    return Answer(
        found,
        range_json(found, opened.inputs),
        f"how sure {found.result.name!r} is, {repeats} repeats",
        lambda us: range_lines(found, us),
        lambda us: range_plot(found, us_units=us),
        lambda folder, us: write_range(found, folder, opened.inputs, us_units=us),
    )


@said_in_python
def advise(
    source: str | Path | OpenField | None = None,
    *,
    headings_deg: Sequence[float] = (),
    spacing: str | float | None = None,
    **how: Any,
) -> Answer[FieldAdvice]:
    """Advise reach and lean for a cut width, crop and wind, heading by heading.

    Parameters
    ----------
    source : str, path or OpenField, optional
        As for :func:`map_field`; without one, settings and ``headings_deg`` are enough.
    headings_deg : sequence of float
        Headings to advise for, instead of the track's own.
    spacing : str or float, optional
        Pass spacing, a text with a unit or metres; the track's or the cut width else.
    **how
        As for :func:`read`.

    Raises
    ------
    CovermapError
        If a file or setting is wrong or missing.
    """
    from covermap.advice.advice_card import advice_card
    from covermap.advice.advice_text import advice_json, advice_lines
    from covermap.advice.advise_field import advise as advise_settings
    from covermap.field.harvest_record import read_harvest
    from covermap.files.write_whole import whole_files
    from covermap.units import read_quantity
    from covermap.wind.wind_on_fixes import stated_wind

    harvest = None
    if source is None:
        settings, wind = settings_alone(settings_of(how))
        name = "Settings"
    else:
        opened = _opened(source, how)
        settings, wind = opened.settings, opened.wind
        harvest = read_harvest(opened.track, settings, opened.boundary, wind)
        name = settings.field.name or opened.track.source.rsplit(".", 1)[0]
    advice = advise_settings(
        settings,
        wind=wind or stated_wind(settings),
        harvest=harvest,
        headings_deg=tuple(headings_deg),
        spacing_m=None if spacing is None else read_quantity(spacing, "length", "spacing"),
    )

    def write(folder: Path, us_units: bool) -> list[str]:
        with whole_files(folder) as open_folder:
            card = advice_card(advice, title=name, us_units=us_units)
            (open_folder / "settings_card.svg").write_text(card, "utf-8")
        return ["settings_card.svg"]

    return Answer(
        advice,
        advice_json(advice),
        f"advice for {name!r}, {len(advice.headings)} headings",
        lambda us: advice_lines(advice, us),
        lambda us: advice_card(advice, title=name, us_units=us),
        write,
    )


@said_in_python
def trays(
    test: str | Path,
    *,
    tray_width: str | float | None = None,
    tray_length: str | float | None = None,
    tray_area: str | float | None = None,
    moisture: str | float | None = None,
    cv_limit: str | float = 15.0,
    keep_all_runs: bool = False,
) -> Answer[MeasuredProfile]:
    """Measure the spread from a tray test, a CSV of weights across the band.

    Parameters
    ----------
    test : str or path
    tray_width, tray_length, tray_area, moisture : str or float, optional
        Where the file does not say; in m, m² and %, or texts with a unit.
    cv_limit : str or float
        Largest CV accepted [%].
    keep_all_runs : bool
        Keep runs that disagree with their fellows.

    Raises
    ------
    CovermapError
        If the file is no tray test or a number is out of range.
    """
    from dataclasses import asdict

    from covermap.files.write_whole import whole_files
    from covermap.tables.plain_values import plain
    from covermap.tray_test.profile_writer import profile_file_text
    from covermap.tray_test.tray_file import read_tray_test
    from covermap.tray_test.tray_plot import tray_plot
    from covermap.tray_test.tray_report import tray_lines
    from covermap.tray_test.trays import measure_profile
    from covermap.units import read_quantity

    def given(value: str | float | None, kind: str, name: str) -> float | None:
        return None if value is None else read_quantity(value, kind, name)

    test = Path(test)
    limit = read_quantity(cv_limit, "percent", "cv_limit")
    if limit <= 0:
        raise SettingsError(f"cv_limit {cv_limit!r}:", "expected more than 0 %.")
    read = read_tray_test(
        test,
        tray_width_m=given(tray_width, "length", "tray_width"),
        tray_length_m=given(tray_length, "length", "tray_length"),
        tray_area_m2=given(tray_area, "area", "tray_area"),
        moisture_pct=given(moisture, "percent", "moisture"),
    )
    profile = measure_profile(read, keep_all_runs=keep_all_runs)

    def lines(us_units: bool) -> list[str]:
        told = tray_lines(profile, cv_limit_pct=limit, us_units=us_units)
        width = max(len(label) for label, _ in told)
        return [f"  {label:<{width}}  {value}" for label, value in told]

    def plot(us_units: bool) -> str:
        return tray_plot(profile, title=test.stem, cv_limit_pct=limit, us_units=us_units)

    def write(folder: Path, us_units: bool) -> list[str]:
        picture = plot(us_units)
        with whole_files(folder) as open_folder:
            text = profile_file_text(profile, read.metadata, f"covermap trays {test.name}")
            (open_folder / "profile.toml").write_text(text, "utf-8")
            (open_folder / "trays.svg").write_text(picture, "utf-8")
        return ["profile.toml", "trays.svg"]

    return Answer(
        profile,
        plain(asdict(profile)),
        f"tray test {test.name!r}, {sum(profile.run_kept)} of {len(profile.run_kept)} runs",
        lines,
        plot,
        write,
    )


def _opened(source: str | Path | OpenField, how: Mapping[str, Any]) -> OpenField:
    """Read a source, or take one that is read, with some settings stated anew."""
    if not isinstance(source, OpenField):
        return read(source, **how)
    return replace(source, settings=with_stated(source.settings, settings_of(how)))
