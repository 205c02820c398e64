"""Figures as plain JSON values."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """Return a value, and all that is in it, as JSON holds it: NaN is None, a tuple a list."""
    if isinstance(value, Mapping):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return None if isinstance(value, float) and math.isnan(value) else value
