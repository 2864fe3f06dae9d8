"""The payloads of the `condition` and `sample` topics: what a probe is doing and what is known of it."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, Final

from agent.alerts.lifecycle import HIDDEN
from agent.alerts.reading import told_error_pct
from agent.alerts.symptoms import StatusSignal, worst_signal
from agent.config.model import Settings
from agent.reconstruct.now import Mode, ProbeNow, Trust
from agent.rfc3339 import to_text
from detectors.finding import Report

__all__ = ["condition_payload", "sample_payload", "status_signal"]

LEAST_STALE_S: Final = 300.0
_CHECKS: Final = frozenset({Mode.AIR_CHECK, Mode.TEST_GAS, Mode.OUT_OF_SERVICE})
_HIDDEN: Final = frozenset(state.value for state in HIDDEN)


def condition_payload(
    settings: Settings,
    now: ProbeNow,
    reports: Mapping[str, Report],
    alerts: Sequence[Mapping[str, Any]],
    *,
    at_s: float | None = None,
) -> dict[str, Any]:
    """Payload of `flueward.condition/1`.

    Parameters
    ----------
    reports : mapping of symptom to Report
        From the probe's detectors.
    alerts : sequence of alert payloads
        The probe's open ones (`AlertBook.active`).
    at_s : float, optional
        UTC seconds; `now.at_s` when absent.
    """
    signal = status_signal(now, alerts)
    return {
        "schema": "flueward.condition/1",
        "site": settings.site,
        "at": to_text(now.at_s if at_s is None else at_s),
        "agent": settings.agent,
        "probe": now.probe,
        "mode": now.mode.value,
        "reading_trust": now.trust.value,
        "error_estimate": told_error_pct(now),
        "error_direction": now.error_direction,
        "status_signal": None if signal is None else signal.value,
        "sample_at": None if now.sample_at_s is None else to_text(now.sample_at_s),
        "stale_after_s": max(LEAST_STALE_S, 3.0 * settings.probes[now.probe].period_s),
        "signals": _signals(now),
        "detectors": {
            name: {"state": report.watch.value, "learnt": report.learnt or None, "needs": report.needs or None}
            for name, report in sorted(reports.items())
        },
        "alerts": [alert["id"] for alert in alerts],
    }


def sample_payload(settings: Settings, now: ProbeNow) -> dict[str, Any] | None:
    """Payload of `flueward.sample/1`; None while there has been no sample."""
    if now.sample_at_s is None:
        return None
    return {
        "schema": "flueward.sample/1",
        "site": settings.site,
        "at": to_text(now.at_s),
        "agent": settings.agent,
        "probe": now.probe,
        "sample_at": to_text(now.sample_at_s),
        "signals": _signals(now),
    }


def status_signal(now: ProbeNow, alerts: Sequence[Mapping[str, Any]]) -> StatusSignal | None:
    """The worst NE 107 signal: of the alerts in view, of work going on, and of the reading's trust; None is healthy."""
    found = [StatusSignal(alert["status_signal"]) for alert in alerts if alert["state"] not in _HIDDEN]
    if now.mode in _CHECKS:
        found.append(StatusSignal.FUNCTION_CHECK)
    if now.trust is Trust.BAD:
        found.append(StatusSignal.FAILURE)
    elif now.trust is Trust.DOUBTFUL:
        found.append(StatusSignal.OUT_OF_SPECIFICATION)
    return worst_signal(found)


def _signals(now: ProbeNow) -> dict[str, dict[str, Any]]:
    """Known values, six significant digits; one that is not finite is not known."""
    return {
        name: {
            "value": _six(value.value),
            "unit": value.unit,
            "uncertainty": None
            if value.uncertainty is None or not isfinite(value.uncertainty)
            else _six(value.uncertainty),
            "source": value.source,
        }
        for name, value in sorted(now.signals.items())
        if isfinite(value.value)
    }


def _six(value: float) -> float:
    return float(f"{value:.6g}")
