"""Results in the forms that JSON has, and as JSON."""

import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd


def as_json(answer: object) -> str:
    """An answer as JSON; what is not known is null, fractions are whole floats, times ISO 8601."""
    return json.dumps(plain(answer), indent=2, ensure_ascii=False, allow_nan=False)


def plain(value: Any) -> Any:
    """A value in the forms that JSON has: tables are lists of rows, results are mappings."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {each.name: getattr(value, each.name) for each in dataclasses.fields(value)}
    if isinstance(value, pd.DataFrame):
        value = value.to_dict("records")
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if value is None or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in value]
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str | int | float) else str(value)
