"""Capture files as text: three columns of time, sine and cosine."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def written(folder: Path, text: str | bytes, name: str = "x.csv") -> Path:
    """A file of that content."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def sample_rows(n: int = 30, first: int = 0) -> str:
    """Lines of numbers, a microsecond apart."""
    return "".join(f"{i * 1e-6:.6f},{np.sin(i):.4f},{np.cos(i):.4f}\n" for i in range(first, first + n))
