"""Printed run lengths, and normal values for the chains that they are held against."""

import csv
from pathlib import Path

import numpy as np
from scipy import special

TABLE = Path(__file__).parent / "reference" / "charts" / "run_lengths.csv"
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))
VARIED = np.arange(100, 251, 10)  # sizes of samples


def rows(chart: str) -> list[dict[str, str]]:
    return [row for row in ROWS if row["chart"] == chart]


def normal_cells() -> tuple[np.ndarray, np.ndarray]:
    cells = np.linspace(-9, 9, 20_001)
    return (cells[1:] + cells[:-1]) / 2, np.diff(special.ndtr(cells))


def hat(at: float, limit: float, states: int) -> tuple[list[float], list[float]]:
    """All chance at one sum, shared between the two grid points beside it."""
    place = at * (states - 0.5) / limit
    return [place - 1, place, place + 1], [0.0, 1.0, 0.0]
