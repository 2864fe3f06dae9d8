"""Samples that tell by their values when they were taken. Not a test."""

from math import nan

MIDNIGHT_S = 1_790_035_200.0  # 2026-09-22T00:00:00Z
COLUMNS = {"east": ("o2", "cell_temp", "firing"), "west": ("o2",)}


def made(time_s: float, width: int) -> list[float]:
    """A row that tells by its values when it was taken."""
    value = round(time_s % 100_000.0, 2)
    return [time_s, value, *([nan if int(time_s) % 3 == 0 else 700.25, 1.0][: width - 1])]
