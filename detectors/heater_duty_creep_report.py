"""What the heater's duty creep has learnt and what it would need, in words with numbers."""

from math import exp, sqrt

from detectors.baseline import Baseline
from detectors.finding import Report, Watch
from detectors.heater_duty_creep_state import HeaterDutyCreepSettings, HeaterDutyCreepState

__all__ = ["report_of"]

WORDS = (("load_pct", "load", "%"), ("flue_temp_c", "flue", "degC"), ("head_temp_c", "head", "degC"))
SEPARATES = (
    ("flue_temp_c", "flue_temp", "season"),
    ("head_temp_c", "head_temp", "season"),
    ("load_pct", "load", "load"),
)


def report_of(settings: HeaterDutyCreepSettings, state: HeaterDutyCreepState) -> Report:
    """The report of this state."""
    baseline = state.baseline
    found = state.active or state.guard
    if baseline is None:
        have = len(state.learning)
        if have == 0:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="a heater duty, in service and thermally stable")
        still = ", which still move" if have >= settings.learn_days else ""
        return Report(
            watch=Watch.FINDING if found else Watch.LEARNING,
            learnt=f"{have} days so far{still}",
            needs=f"{settings.learn_days} usable days",
        )
    return Report(
        watch=Watch.FINDING if found else Watch.WATCHING, learnt=_learnt(baseline, state), needs=_needs(baseline, state)
    )


def _learnt(baseline: Baseline, state: HeaterDutyCreepState) -> str:
    what = "demand" if state.baseline_volts else "duty"
    conditions = [
        f"{word} {seen[0]:.0f}..{seen[1]:.0f} {unit}"
        for name, word, unit in WORDS
        if (seen := baseline.seen(name)) is not None
    ]
    level_u = exp(baseline.level) * sqrt(baseline.cov[0][0])
    head = ", ".join([f"learnt from {baseline.points} days", *conditions])
    note = f" ({baseline.note})" if baseline.note else ""
    return f"{head}: {what} {exp(baseline.level):.2f} +- {max(level_u, 0.01):.2f}{note}"


def _needs(baseline: Baseline, state: HeaterDutyCreepState) -> str:
    needs = [] if state.baseline_volts else ["supply_voltage would separate supply from heater"]
    for what in ("season", "load"):
        missing = [signal for name, signal, of in SEPARATES if of == what and baseline.seen(name) is None]
        needs += [f"{' and '.join(missing)} would separate the {what}"] if missing else []
    return "; ".join(needs)
