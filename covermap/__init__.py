"""covermap: where the straw and chaff landed behind the combine, and what to do about it.

The names below are the one Python door (docs/python.md). They are loaded when they are first
asked for, so that ``import covermap`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from covermap.door.answer import Answer
    from covermap.door.field_map import FieldMap
    from covermap.door.offers import (
        advise,
        compare,
        how_sure,
        map_field,
        open_result,
        read,
        trays,
    )
    from covermap.door.whole_season import season
    from covermap.errors import CovermapError
    from covermap.field.open_field import OpenField

__all__ = [
    "Answer",
    "CovermapError",
    "FieldMap",
    "OpenField",
    "advise",
    "compare",
    "how_sure",
    "map_field",
    "open_result",
    "read",
    "season",
    "trays",
]

_ELSEWHERE = {
    "Answer": "covermap.door.answer",
    "CovermapError": "covermap.errors",
    "FieldMap": "covermap.door.field_map",
    "OpenField": "covermap.field.open_field",
    "season": "covermap.door.whole_season",
}

try:
    __version__ = version("covermap")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+unknown"


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'covermap' has no attribute {name!r}")
    return getattr(import_module(_ELSEWHERE.get(name, "covermap.door.offers")), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
