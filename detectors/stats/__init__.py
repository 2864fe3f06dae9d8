"""Change detection, robust trend, exponential fit."""
