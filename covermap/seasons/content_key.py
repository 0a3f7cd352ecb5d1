"""A key that changes if, and only if, what a field's results are made from has changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from covermap import __version__
from covermap.files import schemas
from covermap.seasons.season_file import FILE_SETTINGS
from covermap.settings.field_settings import BY_NAME, FieldSettings

_SCHEMAS = (schemas.SUMMARY, schemas.PLAN)


def content_key(settings: FieldSettings, hashes: Mapping[str, str], more: Mapping[str, Any]) -> str:
    """Work out the key (SHA-256) of a field's results.

    In it go the bytes and names of all files read (``hashes``: name to SHA-256), every setting
    as built and whether it was given, the version of covermap, the schemas of what it writes
    and ``more``, of what JSON can hold. Folders, times of files, the clock and the time zone
    do not.
    """
    stated = {name: settings.value_of(setting) for name, setting in BY_NAME.items()}
    values = {
        # of a file its content counts, not where it lies
        f"{section}.{key}": value if (section, key) not in FILE_SETTINGS else value is not None
        for (section, key), value in stated.items()
    }
    content = {
        "covermap": __version__,
        "schemas": _SCHEMAS,
        "files": dict(hashes),
        "settings": values,
        "given": sorted(f"{section}.{key}" for section, key in settings.given),
        "pass_rules": [[r.passes, r.start, r.end, dict(r.values)] for r in settings.pass_rules],
        "columns": dict(settings.columns),
        "units": dict(settings.units),
        "more": dict(more),
    }
    # repr of a float is exact, so two settings that differ at all have two keys
    text = json.dumps(content, sort_keys=True, ensure_ascii=True, allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()
