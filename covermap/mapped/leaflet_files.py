"""Leaflet 1.9.4 (BSD-2-Clause) from its installed package, made fit to stand in a page."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import cache
from importlib import metadata

from covermap.errors import OutputError

_PACKAGE = "django-js-lib-leaflet"
_FOLDER = "js_lib_leaflet/static/js_lib_leaflet"


@dataclass(frozen=True)
class LeafletFiles:
    """Text of Leaflet's script and style, its licence notice in front of each."""

    script: str
    style: str


@cache
def leaflet_files() -> LeafletFiles:
    """Read Leaflet's script and style; nothing in them points outside the page.

    Returns
    -------
    LeafletFiles

    Raises
    ------
    OutputError
        If the package is not installed.
    """
    try:
        package = metadata.distribution(_PACKAGE)
        script = _read(package, "leaflet.js").decode("utf-8")
        style = _read(package, "leaflet.css").decode("utf-8")
        licence = "".join(
            file.read_text("utf-8")
            for file in package.files or []
            if file.name.startswith("LICENSE")
        )
        images = {
            name: _read(package, f"images/{name}")
            for name in ("layers.png", "layers-2x.png", "marker-icon.png")
        }
    except (metadata.PackageNotFoundError, OSError) as error:
        raise OutputError(
            f"The map page needs Leaflet, and its package {_PACKAGE} is not whole here.",
            way_out=f"Remove it and install it again: pip install {_PACKAGE}",
        ) from error
    for name, image in images.items():
        address = "data:image/png;base64," + base64.b64encode(image).decode("ascii")
        style = style.replace(f"url(images/{name})", f"url({address})")
    # A browser with its developer tools open would look for the source map.
    script = script.partition("//# sourceMappingURL=")[0]
    notice = f"/* Leaflet 1.9.4, BSD-2-Clause\n{licence.strip()}\n*/\n"
    return LeafletFiles(notice + script, notice + style)


def _read(package: metadata.Distribution, name: str) -> bytes:
    file = package.locate_file(f"{_FOLDER}/{name}")
    with open(str(file), "rb") as stream:  # noqa: PTH123 - locate_file gives no pathlib.Path
        return stream.read()
