"""Results as plain values that JSON can hold."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np


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
