"""Results as plain values that JSON can hold, and as a file of them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np


def write_json(path: Path, content: Mapping[str, Any], indent: int = 2) -> None:
    """Write JSON for people and programs: UTF-8, a line for each value, nothing that is NaN."""
    text = json.dumps(content, indent=indent, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", "utf-8")


def plain(value: Any) -> Any:
    """Turn numpy scalars to plain ones and what JSON cannot hold (NaN, ∞) to None."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return round(value, 9) if math.isfinite(value) else None
    return value
