"""Zip archives whose bytes hang on nothing but their content."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path

from covermap.files.vectors import not_written

#: The oldest time that a zip archive can hold (APPNOTE.TXT 4.4.6, MS-DOS date).
_FIXED_TIME = (1980, 1, 1, 0, 0, 0)
_UNIX, _PLAIN_FILE = 3, 0o100644 << 16


def write_zip(path: Path, files: Mapping[str, bytes]) -> None:
    """Write an archive of files, names inside it and contents, in the order given.

    Raises
    ------
    OutputError
        If the archive cannot be written.
    """
    try:
        with zipfile.ZipFile(path, "w") as archive:
            for name, content in files.items():
                entry = zipfile.ZipInfo(name, _FIXED_TIME)
                entry.create_system = _UNIX
                entry.external_attr = _PLAIN_FILE
                entry.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(entry, content, compresslevel=6)
    except OSError as error:
        raise not_written(path, error) from error
