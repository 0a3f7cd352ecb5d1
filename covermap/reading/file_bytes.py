"""The first look at a file: whether it is text at all, and stays text to its end."""

from __future__ import annotations

import io
from pathlib import Path

from covermap.errors import TrackError, TrayError

SNIFFED_BYTES = 1 << 20
_MAGIC = {
    b"PK\x03\x04": "a ZIP archive or spreadsheet workbook",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"%PDF": "a PDF document",
    b"SQLite format 3": "a database or GeoPackage",
    b"\x1f\x8b": "a gzip archive",
    b"\xd0\xcf\x11\xe0": "an old office document",
}
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def encoding_of_text(sniffed: bytes, name: str) -> str:
    """Give the encoding of a text file from its first megabyte, or refuse what is no text.

    Raises
    ------
    TrackError
        If the file is empty, binary, or one endless line.
    """
    if not sniffed.strip():
        raise TrackError(f"{name} is empty. Export the track again, with a header line.")
    for magic, what in _MAGIC.items():
        if sniffed.startswith(magic):
            raise TrackError(
                f"{name} is {what}, not a text table. Export the track as CSV, or give the "
                "file the ending of its real format."
            )
    if sniffed.startswith(_UTF16):
        return "utf-16"
    if b"\0" in sniffed:
        raise _not_text(name)
    if len(sniffed) == SNIFFED_BYTES and b"\n" not in sniffed and b"\r" not in sniffed:
        raise TrackError(
            f"{name} has no line break in its first megabyte, so it is no table of fixes. "
            "Export the track as CSV with one fix per line."
        )
    try:
        sniffed.decode("utf-8")
    except UnicodeDecodeError as error:
        # The last character may be cut in two where the sniffed megabyte ends.
        if error.start < len(sniffed) - 4 or len(sniffed) < SNIFFED_BYTES:
            return "latin-1"
    return "utf-8"


def _not_text(name: str) -> TrackError:
    return TrackError(
        f"{name} holds binary data, not text. Export the track as CSV with one fix per line."
    )


def read_rest(
    stream: io.BufferedReader,
    sniffed: bytes,
    name: str,
    *,
    is_utf16: bool = False,
    in_lines: bool = True,
) -> bytes:
    """Read the rest of a text file, stopping at the first megabyte that is no text.

    Raises
    ------
    TrackError
        If there are NUL bytes or, where the text comes in lines, no line break.
    """
    chunks = [sniffed]
    while chunk := stream.read(SNIFFED_BYTES):
        # Junk behind a good header must not fill the memory either.
        if not is_utf16 and b"\0" in chunk:
            raise _not_text(name)
        full = in_lines and len(chunk) == SNIFFED_BYTES
        if full and b"\n" not in chunk and b"\r" not in chunk:
            raise TrackError(
                f"{name} has a line longer than a megabyte. Export the track again as CSV."
            )
        chunks.append(chunk)
    return b"".join(chunks)


def read_small_text(path: Path, what: str) -> str:
    """Read a small text file, or say in one sentence why it is none."""
    try:
        with path.open("rb") as stream:
            data = stream.read(SNIFFED_BYTES + 1)
    except FileNotFoundError:
        raise TrayError(f"{path.name}: no such {what}; check the name.") from None
    except OSError as error:
        raise TrayError(
            f"{path.name}: cannot be opened ({error.strerror or error}); expected a {what} as "
            "a text file."
        ) from None
    if not data.strip():
        raise TrayError(f"{path.name} is empty; expected a {what} as a text file.")
    if len(data) > SNIFFED_BYTES:
        raise TrayError(f"{path.name} is larger than a megabyte and so is no {what}.")
    try:
        encoding = encoding_of_text(data, path.name)
    except TrackError:
        raise TrayError(
            f"{path.name} is no text file; save the {what} as text (CSV for a table) and try again."
        ) from None
    return data.decode(encoding, "replace").removeprefix("\ufeff")
