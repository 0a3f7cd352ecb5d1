"""One run at a time in a season's folder."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path

from covermap.files import folder_lock

LOCK_FILE = ".covermap-season.lock"


def season_lock(out: Path) -> AbstractContextManager[str]:
    """Hold the season's folder for this run, as :func:`covermap.files.folder_lock` does."""
    return folder_lock.folder_lock(out, LOCK_FILE)


def holds(out: Path, token: str) -> bool:
    """Tell whether the run with this token still holds the folder, as seen from here."""
    return folder_lock.holds(out, token, LOCK_FILE)
