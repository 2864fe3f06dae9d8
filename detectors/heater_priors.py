"""What moves a heater's demand before the plant's own days have spoken."""

from math import isfinite

from detectors.baseline import Prior

__all__ = ["LOAD_PRIOR", "demand_priors"]

# What moves the demand, per % of load and per kelvin, before the plant's own days have spoken. Load moves the heat
# transfer either way. Most of the losses go to the flue, so they go with T_cell - T_flue (see `demand_priors`).
LOAD_PRIOR = Prior(0.0, 0.003)
HEAD_PRIOR = Prior(-0.0005, 0.0005)
USUAL_CELL_C = 700.0
LOST_TO_FLUE = (0.8, 0.25)  # share of the losses and its standard deviation; common practice
HOTTEST_FLUE_C = 550.0  # nearer to the cell the rule breaks down


def demand_priors(flue_temp_c: float) -> dict[str, Prior]:
    """Priors of ln demand by condition, about a usual flue temperature (NaN: not known).

    Losses to the flue go with T_cell - T_flue, so their logarithm by -1 / (T_cell - T_flue) a kelvin of flue.
    """
    per_k = -1.0 / (USUAL_CELL_C - min(HOTTEST_FLUE_C, flue_temp_c if isfinite(flue_temp_c) else 300.0))
    flue = Prior(LOST_TO_FLUE[0] * per_k, abs(LOST_TO_FLUE[1] * per_k))
    return {"load_pct": LOAD_PRIOR, "flue_temp_c": flue, "head_temp_c": HEAD_PRIOR}
