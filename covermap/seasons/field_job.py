"""What a worker does: map one field of the season, whole or not at all."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from covermap.errors import CovermapError, OutputError, TrackError, in_field_file
from covermap.field.open_field import FieldInputs, OpenField, find_inputs, over, read_inputs
from covermap.ground.threads import limit_threads
from covermap.harvest.track import Track
from covermap.seasons.content_key import content_key
from covermap.seasons.job import Common, Done, FieldJob, Look
from covermap.seasons.job_record import (
    files_in,
    fresh_folder,
    holds,
    is_whole,
    put_in_place,
    read_record,
    write_record,
)
from covermap.seasons.parted_track import FieldPart, PartedTrack, parted_track
from covermap.seasons.season_file import Parting
from covermap.seasons.split_track import machines_of

#: Trouble of the disk that every other field would meet too.
_NO_USE_GOING_ON = {errno.ENOSPC, errno.EDQUOT, errno.EROFS}

# One field at a time in a process, however many threads a cluster's worker has: a field has
# the memory of the process to itself, and not every library used likes company.
_alone = threading.Lock()


class RunEndedError(OutputError):
    """The run that gave this job no longer holds the folder, or it is not seen from here."""


#: In a season an option is no way out for one field.
_WHERE_TO_STATE = (
    " In a season an option holds for every field, whatever its own file states: state it in "
    "[defaults] of a season file, or in a field file (.toml) for this track."
)

#: What a note begins with that a person should see before anything else.


def inputs_of(
    source: Path, overrides: Mapping[str, Any], name: str | None, common: Common
) -> FieldInputs:
    """Build the settings of a field from all that states them.

    Raises
    ------
    CovermapError
        If one is wrong.
    """
    named = {"field": {"name": name}} if name else {}
    return find_inputs(
        source,
        defaults=common.defaults,
        overrides=over(over(overrides, named), common.options),
    )


def look_at(source: Path, overrides: Mapping[str, Any], parting: Parting, common: Common) -> Look:
    """Tell which fields a track covers; never raises for a faulty file."""
    try:
        inputs = inputs_of(source, overrides, None, common)
        speed = inputs.settings.limits.most_harvest_speed_m_s
        found: list[PartedTrack] = []

        def read(path: Path, **how: Any) -> Track:
            found.append(parted_track(path, parting, speed, **how))
            return next(iter(found[0].parts.values())).track

        with _alone, limit_threads(1):
            read_inputs(replace(inputs, boundary=None, wind=None), read)
    except Exception as error:  # one faulty file must not end the season
        return Look(trouble=reason_of(error))
    parts = tuple((part.number, part.name, part.machines) for part in found[0].parts.values())
    return Look(parts, found[0].fixes, found[0].outside)


def map_one(job: FieldJob, common: Common) -> Done:
    """Map one field into its folder and write its record.

    Never raises for a faulty field: its row has the reason.
    """
    row = empty_row(job)
    try:
        if job.trouble:
            raise TrackError(job.trouble)
        with _alone, limit_threads(1):
            return _map(job, common, row)
    except RunEndedError as error:
        return Done(failed_row(job, reason_of(error)))
    except Exception as error:  # one faulty field must not end the season
        failed = failed_row(job, reason_of(error), row["key"])
        keep_failure(common.out, failed)
        cause = error.__cause__ if isinstance(error, OutputError) else None
        return Done(failed, stop=getattr(cause, "errno", None) in _NO_USE_GOING_ON)


def empty_row(job: FieldJob) -> dict[str, Any]:
    """Give a field's row of season.json before anything is known."""
    return {
        "field_id": job.field_id,
        "name": job.name or job.source.stem,
        "status": "failed",
        "reason": None,
        "folder": None,
        "machine": job.machine,
        "source": job.source_name,
        "part": job.part_text,
        "key": None,
        "seconds": None,
    }


def failed_row(job: FieldJob, reason: str, key: str | None = None) -> dict[str, Any]:
    """Give the row of a field that could not be mapped."""
    return empty_row(job) | {"reason": " ".join(reason.split()), "key": key}


def keep_failure(out: Path, row: dict[str, Any]) -> None:
    """Write down that a field failed, if the disk allows."""
    before = read_record(out, row["field_id"]) or {}
    try:
        write_record(out, row, before.get("files") or {})
    except OutputError:
        return


def reason_of(error: BaseException) -> str:
    """Say why a field could not be mapped; what to give is named as a field file states it."""
    if isinstance(error, CovermapError):
        stated = any("." in ask.name or ask.of for ask in error.asks)
        return error.told(in_field_file) + (_WHERE_TO_STATE if stated else "")
    if isinstance(error, MemoryError):
        return (
            "There was not enough memory for this field. Use fewer workers, or a larger "
            "[grid] cell for this field."
        )
    return f"covermap has a fault of its own ({type(error).__name__}: {error})."


def _map(job: FieldJob, common: Common, row: dict[str, Any]) -> Done:
    begun = time.monotonic()
    _check_run(common)
    inputs = inputs_of(job.source, job.overrides, job.name, common)
    if job.parting is not None and job.parting.boundaries is not None:
        inputs = replace(inputs, others=(*inputs.others, job.parting.boundaries))
    hashes = _hashes(inputs, job)
    row["key"] = content_key(
        inputs.settings, hashes, {"part": _part_key(job), "us_units": common.us_units}
    )
    record = read_record(common.out, job.field_id)
    same = record is not None and record["row"].get("key") == row["key"]
    if record is not None and same and is_whole(common.out, record):
        labels = {k: row[k] for k in ("source", "part")}
        labels["machine"] = job.machine or record.get("machines")
        return Done(record["row"] | labels, skipped=True)
    from covermap.field.whole_field import map_field
    from covermap.mapped.write_results import write_results
    from covermap.plan.face import plan_field, wants_plan

    opened, machines = _open(inputs, job)
    if dict(opened.inputs) != hashes:
        raise TrackError(
            f"{job.source_name} changed while it was read.", way_out="Run the season again."
        )
    result = map_field(opened.track, opened.settings, opened.boundary, None, opened.wind)
    plan = plan_field(result) if wants_plan(opened.settings) else None
    fresh = fresh_folder(common.out, job.field_id)
    write_results(result, fresh, hashes, us_units=common.us_units, plan=plan)
    _check_run(common)
    written = files_in(fresh)
    put_in_place(common.out, job.field_id)
    row |= {
        "name": result.name,
        "status": "mapped",
        "folder": f"fields/{job.field_id}",
        "machine": job.machine or machines,
        "seconds": round(time.monotonic() - begun, 3),
        "area_ha": round(result.harvested_m2 / 1e4, 4),
        "warnings": [note.as_record() for note in result.notes if note.is_warning],
    }
    write_record(common.out, row, written, machines)
    return Done(row)


def _check_run(common: Common) -> None:
    if not holds(common.out, common.token):
        raise RunEndedError(
            f"The folder {common.out} is not seen from this worker, or the run that asked for "
            "this field has ended.",
            way_out="Run the season again.",
        )


def _part_key(job: FieldJob) -> list[Any]:
    parting = job.parting
    return [] if parting is None else [parting.gap_m, parting.name_column, job.part]


def _hashes(inputs: FieldInputs, job: FieldJob) -> dict[str, str]:
    try:
        return inputs.hashes()
    except OSError as error:
        # whoever reads the file says best what is wrong with it
        _open(inputs, job)
        raise TrackError(
            f"{job.source_name}: one of its files cannot be read ({error.strerror}).",
            way_out="Copy it to this computer and run the season again.",
        ) from None


def _open(inputs: FieldInputs, job: FieldJob) -> tuple[OpenField, str | None]:
    if job.parting is None or job.part is None:
        opened = read_inputs(inputs)
        return opened, machines_of(opened.track)
    parting, number = job.parting, job.part
    speed = inputs.settings.limits.most_harvest_speed_m_s
    taken: list[FieldPart] = []

    def read(path: Path, **how: Any) -> Track:
        parts = parted_track(path, parting, speed, **how).parts
        if number not in parts:
            raise TrackError(
                f"{path.name} changed while the season ran: part {number} is gone.",
                way_out="Run the season again.",
            )
        taken.append(parts[number])
        return parts[number].track

    opened = read_inputs(inputs, read)
    if taken[0].boundary is not None:
        opened = replace(opened, boundary=taken[0].boundary)
    return opened, taken[0].machines
