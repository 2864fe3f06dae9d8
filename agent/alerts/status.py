"""The payload of the `status` topic: whether the agent lives, and hears its probes."""

from typing import Any, Final, Literal

from agent.config.model import Settings
from agent.rfc3339 import to_text

__all__ = ["STALE_AFTER_S", "status_payload"]

STALE_AFTER_S: Final = 180.0  # refreshed each minute: three missed


def status_payload(
    settings: Settings,
    *,
    state: Literal["online", "offline"],
    at_s: float,
    version: str,
    started_at_s: float | None = None,
    last_sample_at_s: float | None = None,
    polled: int = 0,
    silent: int = 0,
    waiting: int = 0,
    set_aside: int = 0,
    clock: Literal["synchronised", "unsynchronised", "unknown"] = "unknown",
    disk: Literal["ok", "low", "full"] = "ok",
) -> dict[str, Any]:
    """Payload of `flueward.status/1`. For the will message: `state="offline"`, with `at_s` of the connection.

    Parameters
    ----------
    polled, silent : int
        Probes asked for, and those of them that have not answered for five minutes.
    waiting, set_aside : int
        Messages not yet confirmed by the broker, and those it refused.
    """
    return {
        "schema": "flueward.status/1",
        "site": settings.site,
        "at": to_text(at_s),
        "agent": settings.agent,
        "state": state,
        "version": version,
        "started_at": None if started_at_s is None else to_text(started_at_s),
        "last_sample_at": None if last_sample_at_s is None else to_text(last_sample_at_s),
        "probes": {"configured": len(settings.probes), "polled": polled, "silent": silent},
        "outbox": {"waiting": waiting, "set_aside": set_aside},
        "clock": clock,
        "disk": disk,
        "stale_after_s": STALE_AFTER_S,
    }
