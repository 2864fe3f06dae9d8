"""What an alert says of the displayed reading: can it be believed, which way does it err, would it mislead trim.

A slow symptom lasts for weeks, so its alert speaks of the reading in steady service and not of the passing moment: a
slow return is always noticed during a recovery, when nobody believes the display anyway.
"""

from math import isfinite
from typing import Final

from agent.alerts.symptoms import Speed, symptom
from agent.reconstruct.now import ProbeNow, Trust

__all__ = ["error_words", "misleads_trim", "told_error_pct", "told_trust", "trust_words"]

WILD_ERROR_PCT: Final = 5.0  # % O2: no offset of a cell in service does that, so the estimate itself is in doubt
MOST_O2_PCT: Final = 25.0  # a true reading that would lie outside 0 to this cannot be
_WRONG: Final = (Trust.DOUBTFUL, Trust.BAD)


def told_trust(name: str, now: ProbeNow) -> Trust:
    """Trust as the alert of symptom `name` tells it: of a slow one in steady service, where that is known."""
    return now.trust if _steady(name, now) is None else now.steady_trust or now.trust


def told_error_pct(now: ProbeNow) -> float | None:
    """Estimated error of the display, displayed minus true. [% O2] None where it is not known, or cannot be right."""
    error, shown = now.error_estimate, now.value("o2")
    if error is None or not isfinite(error) or abs(error) > WILD_ERROR_PCT:
        return None
    live = now.trust is not Trust.HELD and shown is not None and isfinite(shown)
    if live and shown is not None and not 0.0 <= shown - error <= MOST_O2_PCT:
        return None
    return round(error, 3) + 0.0


def misleads_trim(name: str, now: ProbeNow) -> bool:
    """Whether the reading errs high; a held one misleads as soon as it is live again, which is in a moment."""
    trust = told_trust(name, now)
    if trust is Trust.HELD and now.steady_trust is not None:
        trust = now.steady_trust
    return now.error_direction == "high" and trust in (*_WRONG, Trust.HELD)


def error_words(now: ProbeNow) -> str:
    """How far the reading is off and which way, as in "0.4 % O2 high"; empty where no direction is known."""
    if now.error_direction is None:
        return ""
    error = told_error_pct(now)
    size = "" if error is None else f"about {abs(error):.1f} % O2 "
    return f"{size}{now.error_direction}"


def trust_words(name: str, now: ProbeNow, *, short: bool = False) -> str:
    """Whether the reading can be trusted, as a sentence; a `short` one does not say how far it is off."""
    off = "" if short else error_words(now)
    steady = _steady(name, now)
    if steady is not None:
        return f"Steady O2 {steady.value}{f', {off}' if off and steady in _WRONG else ''}."
    off = f", {off}" if off else ""
    match now.trust:
        case Trust.GOOD:
            return "Reading good."
        case Trust.DOUBTFUL:
            return f"Reading doubtful{off}."
        case Trust.BAD:
            return f"Do not use the reading{off}."
        case Trust.HELD:
            return f"Reading held; live it is{off[1:]}." if off else "Reading held."
        case _:
            return "Reading not judged."


def _steady(name: str, now: ProbeNow) -> Trust | None:
    """Trust in steady service, where the symptom is slow and that can be said; without data nothing can."""
    if symptom(name).speed is not Speed.SLOW or now.trust is Trust.UNKNOWN:
        return None
    return now.steady_trust if now.steady_trust is not Trust.UNKNOWN else None
