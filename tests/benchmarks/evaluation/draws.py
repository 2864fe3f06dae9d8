"""Draws from wide distributions, by name of the distribution."""

from typing import Any

import numpy as np

__all__ = ["Draw"]


class Draw:
    """A random generator with the few distributions that plans are made of."""

    def __init__(self, *key: int) -> None:
        self.rng = np.random.default_rng(key)

    def flat(self, low: float, high: float) -> float:
        """Uniform."""
        return float(self.rng.uniform(low, high))

    def wide(self, low: float, high: float) -> float:
        """Log-uniform: for what spans a decade or more."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def near(self, mean: float, sd: float) -> float:
        """Normal, cut at 2.5 sd: a tail would be another kind of plant."""
        return float(mean + sd * np.clip(self.rng.standard_normal(), -2.5, 2.5))

    def chance(self, p: float) -> bool:
        """True with probability `p`."""
        return bool(self.rng.random() < p)

    def pick(self, **weights: float) -> str:
        """One of the names, by weight."""
        w = np.array(list(weights.values()))
        return str(self.rng.choice(list(weights), p=w / w.sum()))

    def one(self, *values: Any) -> Any:
        """One of the values, each as likely."""
        return values[int(self.rng.integers(len(values)))]
