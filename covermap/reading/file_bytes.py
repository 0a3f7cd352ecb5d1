"""The first look at a file: whether it is there, is text at all, and stays text to its end."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from covermap.errors import CovermapError

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


@dataclass(frozen=True)
class FileKind:
    """What a file is to be, so that all that goes wrong is said in its words.

    Attributes
    ----------
    error : type of CovermapError
        What is raised for such a file.
    what : str
        How a person calls it, such as ``wind record``.
    form : str
        How it is written, such as ``CSV with one reading per line``.
    """

    error: type[CovermapError]
    what: str
    form: str


@contextmanager
def told_if_unreadable(path: Path, kind: FileKind) -> Iterator[None]:
    """Turn what the system says of a file that cannot be opened into the kind's error."""
    name = path.name
    try:
        yield
    except FileNotFoundError:
        raise kind.error(
            f"{name} was not found: no such {kind.what}.",
            way_out="Check the name and the folder; what a file names is seen from its own folder.",
        ) from None
    except OSError as error:
        if path.is_dir():
            raise kind.error(
                f"{name} is a folder and cannot be opened as a file.",
                way_out=f"Give the {kind.what} itself.",
            ) from None
        if isinstance(error, PermissionError):
            raise kind.error(
                f"{name} may not be read by this user.",
                way_out="Change its permissions or copy it.",
            ) from None
        raise kind.error(
            f"{name} cannot be read: {error.strerror or 'input/output error'}.",
            way_out="Copy it to this computer and try again.",
        ) from None


def encoding_of_text(sniffed: bytes, name: str, kind: FileKind) -> str:
    """Give the encoding of a text file from its first megabyte, or refuse what is no text.

    Raises
    ------
    CovermapError
        The kind's, if the file is empty, binary, or one endless line.
    """
    if not sniffed.strip():
        raise kind.error(
            f"{name} is empty.", f"Expected a {kind.what} as {kind.form}.", "Export it again."
        )
    for magic, what in _MAGIC.items():
        if sniffed.startswith(magic):
            raise kind.error(
                f"{name} is no text file but {what}.",
                way_out=f"Export the {kind.what} as {kind.form}, or give the file the ending of "
                "its real format.",
            )
    if sniffed.startswith(_UTF16):
        return "utf-16"
    if b"\0" in sniffed:
        raise _not_text(name, kind)
    if len(sniffed) == SNIFFED_BYTES and b"\n" not in sniffed and b"\r" not in sniffed:
        raise kind.error(
            f"{name} has no line break in its first megabyte, so it is no {kind.what}.",
            way_out=f"Export it as {kind.form}.",
        )
    try:
        sniffed.decode("utf-8")
    except UnicodeDecodeError as error:
        # The last character may be cut in two where the sniffed megabyte ends.
        if error.start < len(sniffed) - 4 or len(sniffed) < SNIFFED_BYTES:
            return "latin-1"
    return "utf-8"


def _not_text(name: str, kind: FileKind) -> CovermapError:
    return kind.error(
        f"{name} is no text file: it holds binary data.",
        way_out=f"Export the {kind.what} as {kind.form}.",
    )


def read_rest(
    stream: io.BufferedReader,
    sniffed: bytes,
    name: str,
    kind: FileKind,
    *,
    is_utf16: bool = False,
    in_lines: bool = True,
) -> bytes:
    """Read the rest of a text file, stopping at the first megabyte that is no text.

    Raises
    ------
    CovermapError
        The kind's, if there are NUL bytes or, where the text comes in lines, no line break.
    """
    chunks = [sniffed]
    while chunk := stream.read(SNIFFED_BYTES):
        # Junk behind a good header must not fill the memory either.
        if not is_utf16 and b"\0" in chunk:
            raise _not_text(name, kind)
        full = in_lines and len(chunk) == SNIFFED_BYTES
        if full and b"\n" not in chunk and b"\r" not in chunk:
            raise kind.error(
                f"{name} has a line longer than a megabyte.",
                way_out=f"Export the {kind.what} again as {kind.form}.",
            )
        chunks.append(chunk)
    return b"".join(chunks)


def decoded(data: bytes, encoding: str) -> str:
    """Give bytes as text, without the mark that some programs put first."""
    return data.decode(encoding, "replace").removeprefix("\ufeff")


def read_text(path: Path, kind: FileKind) -> str:
    """Read a whole text file, or say in one sentence why it is none."""
    with told_if_unreadable(path, kind), path.open("rb") as stream:
        sniffed = stream.read(SNIFFED_BYTES)
        encoding = encoding_of_text(sniffed, path.name, kind)
        data = read_rest(stream, sniffed, path.name, kind, is_utf16=encoding == "utf-16")
    return decoded(data, encoding)
