"""One run at a time in a folder: a lock that dies with the run that holds it."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from covermap.errors import Ask, OutputError
from covermap.files.write_whole import cannot_write, make_folders

LOCK_FILE = ".covermap.lock"
#: A lock is tried this long [s], in case its holder is just about to leave.
_TRIED_S = 0.1


@contextmanager
def folder_lock(out: Path, lock_file: str = LOCK_FILE) -> Iterator[str]:
    """Hold a folder of results for this run.

    The operating system drops the lock when the process ends, however it ends; files that
    were left behind block nobody.

    Parameters
    ----------
    out : pathlib.Path
        Made if missing, and taken away again if nothing was written to it.
    lock_file : str
        Name of the file in it that is locked; who holds it stands in a file beside it,
        because a locked file cannot be read on every system.

    Yields
    ------
    str
        Token of this run, which also stands in the file beside the lock.

    Raises
    ------
    OutputError
        If another run holds the folder, or it cannot be written.
    """
    # a soft lock, which a disk without locks would get, outlives its holder
    lock = FileLock(out / lock_file, fallback_to_soft=False)
    token = secrets.token_hex(16)
    made: list[Path] = []
    try:
        make_folders(out, made)
        lock.acquire(timeout=_TRIED_S)
    except Timeout as error:
        holder = _holder(out, lock_file)
        raise OutputError(
            f"Another run of covermap is writing to {out} (process {holder.get('pid', '?')} on "
            f"{holder.get('host', '?')}, since {holder.get('start', '?')}).",
            "",
            "Wait until it has ended, or choose another folder ({0}).",
            Ask("out"),
        ) from error
    except OSError as error:
        _take_away(made)
        raise cannot_write(out, error) from error
    content = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "start": datetime.now(UTC).isoformat(timespec="seconds"),
        "token": token,
    }
    try:
        _holder_file(out, lock_file).write_text(json.dumps(content), "utf-8")
        yield token
    finally:
        for file in (_holder_file(out, lock_file), out / lock_file):
            with contextlib.suppress(OSError):  # on Windows the lock's own release removes it
                file.unlink()
        lock.release()
        _take_away(made)


def _take_away(made: list[Path]) -> None:
    """Remove those of the folders that hold nothing."""
    for folder in reversed(made):
        with contextlib.suppress(OSError):
            folder.rmdir()


def holds(out: Path, token: str, lock_file: str = LOCK_FILE) -> bool:
    """Tell whether the run with this token still holds the folder, as seen from here."""
    return _holder(out, lock_file).get("token") == token


def _holder_file(out: Path, lock_file: str) -> Path:
    return out / f"{lock_file}.json"


def _holder(out: Path, lock_file: str) -> dict[str, Any]:
    try:
        content = json.loads(_holder_file(out, lock_file).read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}
