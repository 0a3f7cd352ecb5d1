"""Write a set of files whole or not at all: never half a file, never half a set."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from covermap.errors import Ask, CovermapError, OutputError

#: Moved last, so that a reader who finds it finds the other files of the same run.
LAST_FILE = "summary.json"

_CHOOSE = "Choose another folder ({0})."
_NO_RIGHT = ("you may not write there.", "Choose another folder ({0}), or ask for the right.")
_REASONS = {
    errno.ENOSPC: ("the disk is full.", f"Free some space. {_CHOOSE}"),
    errno.EDQUOT: ("your disk quota is used up.", f"Free some space. {_CHOOSE}"),
    errno.EROFS: ("it is on a read-only disk.", _CHOOSE),
    errno.EACCES: _NO_RIGHT,
    errno.EPERM: _NO_RIGHT,
    errno.ENOLCK: ("its disk cannot lock files, so two runs could mix theirs.", _CHOOSE),
    errno.ENAMETOOLONG: ("its name is too long.", "Choose a shorter one ({0})."),
}


@contextmanager
def whole_files(out_dir: Path) -> Iterator[Path]:
    """Give a temporary folder whose files all move into ``out_dir`` at a clean end.

    Parameters
    ----------
    out_dir : pathlib.Path
        Made if missing, parents too. Files of the same names are replaced, others stay.

    Yields
    ------
    pathlib.Path
        Temporary folder inside ``out_dir``; write plain files into it.

    Raises
    ------
    OutputError
        If ``out_dir`` is a file, cannot be written, or the disk is full. As after any
        other exception, ``out_dir`` is then as it was before.
    """
    made: list[Path] = []
    folder: Path | None = None
    try:
        make_folders(out_dir, made)
        folder = Path(tempfile.mkdtemp(prefix=".covermap-", dir=out_dir))
        fresh, old = folder / "new", folder / "old"
        fresh.mkdir()
        old.mkdir()
        yield fresh
        _move_in(fresh, old, out_dir)
    except BaseException as error:
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)
        for one in reversed(made):
            with suppress(OSError):
                one.rmdir()
        if isinstance(error, OSError) and not isinstance(error, CovermapError):
            raise cannot_write(out_dir, error) from error
        raise
    shutil.rmtree(folder, ignore_errors=True)


def make_folders(out_dir: Path, made: list[Path]) -> None:
    """Make ``out_dir`` and its parents, and note in ``made`` those that were missing.

    Raises
    ------
    OutputError
        If one of them is a file.
    OSError
        If they cannot be made.
    """
    for place in (out_dir, *out_dir.parents):
        if place.exists() and not place.is_dir():
            raise OutputError(
                f"Cannot write to the folder {out_dir}: {place} is a file.",
                "",
                "Choose another folder ({0}), or move that file.",
                Ask("out"),
            )
    missing = [place for place in (out_dir, *out_dir.parents) if not place.exists()]
    for place in reversed(missing):
        place.mkdir(exist_ok=True)
        made.append(place)


def _move_in(fresh: Path, old: Path, out_dir: Path) -> None:
    names = sorted((file.name for file in fresh.iterdir()), key=lambda n: (n == LAST_FILE, n))
    for name in names:
        if (out_dir / name).is_dir():
            raise OutputError(
                f"Cannot write to the folder {out_dir}: {out_dir / name} is a folder, and a file "
                "of that name has to go there.",
                "",
                "Move it, or choose another folder ({0}).",
                Ask("out"),
            )
    kept: list[str] = []
    moved: list[str] = []
    try:
        # An old summary must not stand beside new maps, even for a moment: it goes first.
        for name in reversed(names):
            if (out_dir / name).exists():
                (out_dir / name).replace(old / name)
                kept.append(name)
        for name in names:
            (fresh / name).replace(out_dir / name)
            moved.append(name)
    except BaseException:
        for name in moved:
            with suppress(OSError):
                (out_dir / name).unlink()
        for name in reversed(kept):
            with suppress(OSError):
                (old / name).replace(out_dir / name)
        raise


def cannot_write(out_dir: Path, error: OSError) -> OutputError:
    """Say why nothing can be written to a folder, and what to do."""
    reason, way_out = _REASONS.get(error.errno or 0, (f"{error.strerror or error}.", _CHOOSE))
    return OutputError(f"Cannot write to the folder {out_dir}: {reason}", "", way_out, Ask("out"))
