"""Plan zones as task data after ISO 11783-10: what a machine is to do where, one quantity.

They are written in the structure of version 3.3, which terminals for version 4 read as
well; a field in parts that lie apart needs version 4, the first with several outlines for
one field. The grid is of type 1, a zone code in each cell: every value stands once, in the
XML file, under the name of its action, where it can be read and changed at the terminal.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from covermap import __version__
from covermap.drawing.caution import CAUTION
from covermap.drawing.labels import TASK_DATA
from covermap.errors import OutputError
from covermap.export.task_grid import AREA_TOLERANCE, OUTSIDE_CODE, TaskGrid, lay_task_grid
from covermap.export.task_values import TaskQuantity, find_task_quantity, task_values
from covermap.export.templates import filled
from covermap.files.open_result import MAP_AGAIN
from covermap.plan.face import ACTIONS, RULE_IDS
from covermap.tables.said import Said

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

#: Longest name of anything in task data, in characters (ISO 11783-10).
LONGEST_DESIGNATOR = 32
#: What is written, below the folder given.
TASK_FILES = ("READ_ME_FIRST.txt", "TASKDATA/GRD00001.BIN", "TASKDATA/TASKDATA.XML")


def write_task_set(
    folder: Path,
    zones: gpd.GeoDataFrame,
    *,
    field_name: str,
    outline: BaseGeometry,
    quantity: str,
    made: datetime,
    values: Mapping[str, float] | None = None,
) -> list[str]:
    """Write plan zones as task data for a machine, with a text that says how to use it.

    Parameters
    ----------
    folder : pathlib.Path
        Has to be there; gets :data:`TASK_FILES`.
    zones : geopandas.GeoDataFrame
        Layer ``zones`` of plan.gpkg: polygons in a metric CRS with a column ``rule_id``.
    field_name : str
        Any text; what XML cannot hold is left out, and it is cut to the standard's length.
    outline : shapely.geometry.base.BaseGeometry
        Of the field, in the CRS of the zones.
    quantity : str
        A key of :func:`covermap.export.task_values.task_quantities`.
    made : datetime.datetime
        Stands in the text; without a zone it is taken as UTC.
    values : mapping of str to float, optional
        Value of the quantity for each action, by rule id [SI]. Every action of the plan
        needs one; only ``plan-leave`` may have a value of its own in the table.

    Returns
    -------
    list of str
        What the person has to know, one sentence each, with its rule id in brackets.

    Raises
    ------
    SettingsError
        If the quantity is unknown, or a value is missing, unknown or out of range.
    OutputError
        If there are no zones or no outline, they are not in a metric CRS, or they lie on both
        sides of the 180th meridian.
    """
    import geopandas as gpd
    import shapely

    chosen = find_task_quantity(quantity)
    zones = _worked_zones(zones)
    parts = [
        part
        for part in shapely.get_parts(shapely.get_parts(shapely.make_valid(outline)))
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    if not parts:
        raise OutputError(
            "Cannot write task data: the field has no outline.", way_out="Map it again."
        )
    present = [rule_id for rule_id in RULE_IDS if rule_id in set(zones["rule_id"])]
    given = task_values(chosen, present, values or {})
    grid = lay_task_grid(zones, [_code(rule_id) for rule_id in zones["rule_id"]])
    name = plain_text(field_name) or "field"
    stored = {rule_id: chosen.stored(given[rule_id]) for rule_id in present}

    said = _sentences(chosen, given, stored, grid, len(parts), values or {})
    area_m2 = zones.geometry.area.groupby(zones["rule_id"]).sum()
    told = {
        "covermap": __version__,
        "standard": TASK_DATA,
        # a field in several parts needs version 4
        "version": (3, 3) if len(parts) == 1 else (4, 0),
        "name": name,
        "designator": designator,
        "quantity": chosen,
        "outside": OUTSIDE_CODE,
        "treatments": [
            (OUTSIDE_CODE, "outside, no position", 0),
            *((_code(rule_id), ACTIONS[rule_id], value) for rule_id, value in stored.items()),
        ],
    }
    xml = filled(
        "TASKDATA.XML",
        **told,
        area_m2=sum(part.area for part in parts),
        parts=gpd.GeoSeries(parts, crs=zones.crs).to_crs(4326),
        grid=grid,
    )
    read_me = filled(
        "READ_ME_FIRST.txt",
        **told,
        made=made.replace(tzinfo=UTC) if made.tzinfo is None else made.astimezone(UTC),
        said=said,
        caution=CAUTION,
        rule_ids={_code(rule_id): rule_id for rule_id in present},
        area_ha={_code(rule_id): area_m2[rule_id] / 1e4 for rule_id in present},
    )
    place = folder / "TASKDATA"
    place.mkdir(exist_ok=True)
    (place / "TASKDATA.XML").write_bytes(xml.encode())
    (place / "GRD00001.BIN").write_bytes(grid.codes.tobytes())
    (folder / "READ_ME_FIRST.txt").write_bytes(read_me.encode())
    return said


def _worked_zones(zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give the zones that hold ground; refuse those that cannot be written."""
    if zones.crs is None or not zones.crs.is_projected:
        raise OutputError(
            "Cannot write task data: the zones are not in a metric CRS. Was plan.gpkg changed by "
            "another program?",
            way_out=MAP_AGAIN,
        )
    zones = zones[zones.geometry.notna() & (zones.geometry.area > 0.0)]
    if not len(zones):
        raise OutputError(
            "Cannot write task data: the plan has no zones.", way_out="Make a plan first."
        )
    strange = sorted(set(zones["rule_id"]) - set(RULE_IDS))
    if strange:
        raise OutputError(
            f"Cannot write task data: the plan has zones of {strange[0]!r}, an action that this "
            "version of covermap does not know.",
            way_out=MAP_AGAIN,
        )
    return zones


def _code(rule_id: str) -> int:
    """Give an action's zone code: the same in every field that one version writes."""
    return OUTSIDE_CODE + 1 + RULE_IDS.index(rule_id)


def _sentences(
    quantity: TaskQuantity,
    given: Mapping[str, float],
    stored: Mapping[str, int],
    grid: TaskGrid,
    parts: int,
    values: Mapping[str, float],
) -> list[str]:
    """Give what the person has to know, each sentence with its rule id."""
    said = [Said(f"task-{rule}") for rule in ("check", "own-values", "one-machine", "outside")]
    off = [code for code, error in grid.area_error.items() if abs(error) > AREA_TOLERANCE]
    rule = "task-cells-coarse" if off else "task-cells"
    actions = ", ".join(f"'{ACTIONS[RULE_IDS[code - OUTSIDE_CODE - 1]]}'" for code in off)
    numbers = {
        "cell_m": grid.cell_m,
        "tolerance": AREA_TOLERANCE,
        "actions": actions,
        "worst": grid.worst_error,
    }
    said.append(Said(rule, numbers))
    if parts > 1:
        said.append(Said("task-parts", {"parts": parts}))
    for rule_id, value in given.items():
        written = stored[rule_id] * quantity.si_per_bit
        if not math.isclose(written, value, rel_tol=1e-9, abs_tol=quantity.si_per_bit * 1e-6):
            numbers = {
                "action": ACTIONS[rule_id],
                "given": value,
                "written": written,
                "unit": quantity.si_unit,
            }
            said.append(Said("task-rounded", numbers))
    said += [Said("task-unused", {"action": rule_id}) for rule_id in values if rule_id not in given]
    return [f"{one.text()} [{one.rule}]" for one in said]


def plain_text(text: str) -> str:
    """Give a text as one line that XML can hold and that reads in the order it is written.

    Control characters, lone surrogates, non-characters and marks that turn the direction of
    reading become spaces; runs of spaces become one.
    """
    kept = [" " if _unfit(letter) else letter for letter in text]
    return " ".join("".join(kept).split())


def _unfit(letter: str) -> bool:
    turns = unicodedata.bidirectional(letter) in {
        *("LRE", "RLE", "LRO", "RLO", "PDF"),
        *("LRI", "RLI", "FSI", "PDI"),
    }
    no_character = ord(letter) & 0xFFFE == 0xFFFE
    return turns or no_character or unicodedata.category(letter) in {"Cc", "Cs"}


def designator(text: str) -> str:
    """Cut a text to :data:`LONGEST_DESIGNATOR` characters, never within a letter's marks."""
    text = plain_text(text)
    end = LONGEST_DESIGNATOR
    if len(text) <= end:
        return text
    while end > 0 and (_joins(text[end]) or text[end - 1] == "\u200d"):
        end -= 1
    return text[: end or LONGEST_DESIGNATOR].rstrip()


def _joins(letter: str) -> bool:
    """Tell whether a character belongs to the one before it."""
    return letter == "\u200d" or unicodedata.category(letter) in {"Mn", "Mc", "Me"}
