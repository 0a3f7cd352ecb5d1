"""A season's folder: who holds it, what was mapped before, whether its results are whole."""

from __future__ import annotations

import hashlib
import json
import shutil
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any

from covermap.errors import OutputError
from covermap.files import folder_lock, schemas
from covermap.files.write_whole import LAST_FILE, whole_files
from covermap.tables.plain_values import write_json

LOCK_FILE = ".covermap-season.lock"
FIELDS, JOBS = "fields", "jobs"
_NEW, _OLD = ".new-", ".old-"


def season_lock(out: Path) -> AbstractContextManager[str]:
    """Hold the season's folder for this run, as :func:`covermap.files.folder_lock` does."""
    return folder_lock.folder_lock(out, LOCK_FILE)


def holds(out: Path, token: str) -> bool:
    """Tell whether the run with this token still holds the folder, as seen from here."""
    return folder_lock.holds(out, token, LOCK_FILE)


def field_folder(out: Path, field_id: str) -> Path:
    """Give the folder of a field's results."""
    return out / FIELDS / field_id


def fresh_folder(out: Path, field_id: str) -> Path:
    """Give an empty folder beside it for results on their way."""
    folder = out / FIELDS / f"{_NEW}{field_id}"
    shutil.rmtree(folder, ignore_errors=True)
    return folder


def read_record(out: Path, field_id: str) -> dict[str, Any] | None:
    """Read a field's record; None if there is none that can be read."""
    try:
        record = json.loads((out / JOBS / f"{field_id}.json").read_text("utf-8"))
    except (OSError, ValueError):
        return None
    good = isinstance(record, dict) and record.get("schema") == schemas.JOB
    return record if good and isinstance(record.get("row"), dict) else None


def write_record(
    out: Path, row: dict[str, Any], files: dict[str, Any], machines: str | None = None
) -> None:
    """Write a field's record, whole: its row, its files, the machines that its track names.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    record = {"schema": schemas.JOB, "row": row, "files": files, "machines": machines}
    with whole_files(out / JOBS) as folder:
        write_json(folder / f"{row['field_id']}.json", record, indent=1)


def files_in(folder: Path) -> dict[str, Any]:
    """Give the size of every file, and the hash of the summary that was written last."""
    files: dict[str, Any] = {
        file.name: {"bytes": file.stat().st_size} for file in sorted(folder.iterdir())
    }
    summary = (folder / LAST_FILE).read_bytes()
    files[LAST_FILE]["sha256"] = hashlib.sha256(summary).hexdigest()
    return files


def is_whole(out: Path, record: dict[str, Any]) -> bool:
    """Tell whether every file of a mapped field is there as its record says."""
    row, files = record["row"], record.get("files")
    if row.get("status") != "mapped" or not isinstance(files, dict) or LAST_FILE not in files:
        return False
    folder = field_folder(out, str(row["field_id"]))
    try:
        sizes = all((folder / name).stat().st_size == f["bytes"] for name, f in files.items())
        return sizes and (
            hashlib.sha256((folder / LAST_FILE).read_bytes()).hexdigest()
            == files[LAST_FILE]["sha256"]
        )
    except (OSError, KeyError, TypeError):
        return False


def put_in_place(out: Path, field_id: str) -> None:
    """Swap the fresh folder of a field in; files that a person put beside the old stay.

    The folder is never there half: at worst, for a moment, it is not there at all. Call it
    before the new record is written, for the old one tells whose files are whose.

    Raises
    ------
    OutputError
        If the system does not let the old folder go.
    """
    folder, old = field_folder(out, field_id), out / FIELDS / f"{_OLD}{field_id}"
    try:
        _settle(out, field_id)
        if folder.exists():
            folder.replace(old)
        (out / FIELDS / f"{_NEW}{field_id}").replace(folder)
        _settle(out, field_id)
    except OSError as error:
        raise OutputError(
            f"Cannot put the results into {folder}: {error.strerror or error}.",
            way_out="Close what has one of its files open, and run the season again.",
        ) from error


def _settle(out: Path, field_id: str) -> None:
    """Finish a swap, also one that was cut short."""
    folder, old = field_folder(out, field_id), out / FIELDS / f"{_OLD}{field_id}"
    if not old.exists():
        return
    if not folder.exists():
        old.replace(folder)
        return
    written = (read_record(out, field_id) or {}).get("files") or {}
    for own in old.iterdir():
        if own.name not in written and not (folder / own.name).exists():
            own.replace(folder / own.name)
    shutil.rmtree(old, ignore_errors=True)


def sweep(out: Path) -> None:
    """Take away what an interrupted run left half done. Only under the season's lock."""
    for place in (out, out / JOBS):
        for folder in place.glob(".covermap-*"):
            if folder.is_dir():
                shutil.rmtree(folder, ignore_errors=True)
    for folder in (out / FIELDS).glob(f"{_NEW}*"):
        shutil.rmtree(folder, ignore_errors=True)
    for folder in (out / FIELDS).glob(f"{_OLD}*"):
        with suppress(OSError):
            _settle(out, folder.name.removeprefix(_OLD))
