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

from covermap.errors import OutputError
from covermap.files.write_whole import cannot_write, make_folders

LOCK_FILE = ".covermap.lock"
# On Windows a locked byte cannot be read, so one far behind the text is locked.
_LOCKED_BYTE = 1 << 30


@contextmanager
def folder_lock(out: Path, lock_file: str = LOCK_FILE) -> Iterator[str]:
    """Hold a folder of results for this run.

    The operating system drops the lock when the process ends, however it ends; a file
    that was left behind blocks nobody.

    Parameters
    ----------
    out : pathlib.Path
        Made if missing, and taken away again if nothing was written to it.
    lock_file : str
        Name of the file in it that is locked.

    Yields
    ------
    str
        Token of this run, which also stands in the lock file.

    Raises
    ------
    OutputError
        If another run holds the folder, or it cannot be written.
    """
    path = out / lock_file
    token = secrets.token_hex(16)
    made: list[Path] = []
    try:
        make_folders(out, made)
        handle = _locked(path)
    except OSError as error:
        _take_away(made)
        raise OutputError(cannot_write(out, error)) from error
    if handle is None:
        holder = _holder(path)
        raise OutputError(
            f"Another run of covermap is writing to {out} (process {holder.get('pid', '?')} on "
            f"{holder.get('host', '?')}, since {holder.get('start', '?')}). Wait until it has "
            "ended, or choose another folder with --out."
        )
    try:
        content = {
            "pid": os.getpid(),
            "host": socket.gethostname(),
            "start": datetime.now(UTC).isoformat(timespec="seconds"),
            "token": token,
        }
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, json.dumps(content).encode())
        yield token
    finally:
        with contextlib.suppress(OSError):
            if os.name != "nt":
                path.unlink()
        os.close(handle)
        with contextlib.suppress(OSError):
            if os.name == "nt":
                path.unlink()
        _take_away(made)


def _take_away(made: list[Path]) -> None:
    """Remove those of the folders that hold nothing."""
    for folder in reversed(made):
        with contextlib.suppress(OSError):
            folder.rmdir()


def holds(out: Path, token: str, lock_file: str = LOCK_FILE) -> bool:
    """Tell whether the run with this token still holds the folder, as seen from here."""
    return _holder(out / lock_file).get("token") == token


def _holder(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _locked(path: Path) -> int | None:
    """Open and lock the file; None if another process has it."""
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            taken = _take(handle)
        except OSError:
            os.close(handle)
            raise
        if not taken:
            os.close(handle)
            return None
        # The holder before may have removed the file between the two steps.
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        os.close(handle)


if os.name == "nt":
    import msvcrt

    def _take(handle: int) -> bool:
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except PermissionError:
            return False
        return True

else:
    import fcntl

    def _take(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
