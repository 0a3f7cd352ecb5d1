"""The season as a function: many fields at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from covermap.door.arguments import said_in_python, settings_of
from covermap.door.offers import Columns
from covermap.seasons.run_season import map_season


@said_in_python
def season(
    source: str | Path,
    out: str | Path,
    *,
    columns: Columns | None = None,
    units: Columns | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    previous: str | Path | None = None,
    us_units: bool = False,
    **settings: object,
) -> dict[str, Any]:
    """Map every field of a folder or season file into ``out``, with the season book.

    Parameters
    ----------
    source, out : str or path
        Folder of tracks and field files, or a season file; folder for the results. Fields
        that are mapped there already are left as they are.
    columns, units, **settings
        As for :func:`read`; they hold for every field.
    workers : int, optional
        Worker processes on this machine; one for each core if not given.
    scheduler : str, optional
        Address of a Dask scheduler to work on instead.
    previous : str or path, optional
        Results of the season before.
    us_units : bool
        Feet, acres and pounds on pages.

    Returns
    -------
    dict
        Content of season.json; a field that failed is a row with its reason.

    Raises
    ------
    CovermapError
        If the source or a setting is wrong, or the extra covermap[season] is missing.
    """
    sections: dict[str, Any] = {}
    for (section, key), value in settings_of(settings).items():
        sections.setdefault(section, {})[key] = value
    sections |= {k: dict(v) for k, v in (("columns", columns), ("units", units)) if v}
    return map_season(
        Path(source),
        Path(out),
        sections=sections,
        workers=workers,
        scheduler=scheduler,
        previous=None if previous is None else Path(previous),
        us_units=us_units,
    )
