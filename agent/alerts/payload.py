"""The payload of an alert: ids, evidence, and the stamp put on when it is handed over."""

import base64
from collections.abc import Mapping, Sequence
from hashlib import blake2b
from typing import Any, Final

from agent.alerts.checks.texts import check_text
from agent.alerts.diagnosis import Around, facts_of, suspects
from agent.alerts.policy import Policy
from agent.alerts.reading import misleads_trim, told_error_pct, told_trust
from agent.alerts.seen import evidence_of
from agent.alerts.symptoms import Audience, Priority, StatusSignal
from agent.alerts.symptoms import symptom as symptom_row
from agent.alerts.track import Track
from agent.alerts.words import headline, operator_action
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from agent.rfc3339 import from_text, milliseconds, to_text
from detectors.finding import Finding

__all__ = ["DELAYED_AFTER_S", "alert_id", "alert_payload", "priority_of", "stamp"]

DELAYED_AFTER_S: Final = 900.0


def alert_id(site: str, probe: str, symptom: str, raised_at_s: float) -> str:
    """26 characters that follow from what, where and when: live, replay and a restart agree."""
    words = f"{site}|{probe}|{symptom}|{milliseconds(raised_at_s)}"
    digest = blake2b(words.encode(), digest_size=16).digest()
    return base64.b32encode(digest).decode().rstrip("=").lower()


def alert_payload(
    settings: Settings,
    policy: Policy,
    track: Track,
    now: ProbeNow,
    around: Around,
    consequences: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    """Payload of `flueward.alert/1` for an occurrence. `sent_at`, `delayed` and `durable` await `stamp`."""
    finding, row = track.finding, symptom_row(track.symptom)
    assert finding is not None
    assert track.id is not None
    assert track.raised_at_s is not None
    probe = settings.probes[track.probe]
    facts = facts_of(settings, track.probe, finding, now, around)
    audience = _audience(policy, facts)
    over = track.cleared_at_s is not None
    updated_at_s = track.raised_at_s if track.updated_at_s is None else track.updated_at_s
    return {
        "schema": "flueward.alert/1",
        "id": track.id,
        "event_id": f"{track.id}.{track.seq}",
        "seq": track.seq,
        "durable": True,
        "site": settings.site,
        "agent": settings.agent,
        "probe": track.probe,
        "symptom": track.symptom,
        "class": "alert" if policy.kind == "alert" else "alarm",
        "audience": audience.value,
        "state": track.state.value,
        "state_reason": track.state_reason,
        "status_signal": _status_signal(track.symptom, facts).value,
        "priority": priority_of(policy, finding, now, used_by_trim=probe.used_by_trim).value,
        "raised_at": to_text(track.raised_at_s),
        "updated_at": to_text(updated_at_s),
        "cleared_at": _time(track.cleared_at_s),
        "sent_at": None,
        "delayed": False,
        "headline": headline(probe.name or track.probe, finding, now, facts, over=over),
        "operator_action": "none"
        if over
        else operator_action(finding, now, used_by_trim=probe.used_by_trim, audience=audience),
        "reading_trust": told_trust(track.symptom, now).value,
        "error_estimate": told_error_pct(now),
        "error_direction": now.error_direction,
        "evidence": evidence_of(settings, track.probe, finding),
        "suspects": suspects(track.symptom, facts),
        "consequences": [dict(one) for one in consequences],
        "continues": track.continues,
        "superseded_by": track.superseded_by,
        "check_id": row.first_check,
        "check_title": check_text(row.first_check).title,
    }


def stamp(payload: Mapping[str, Any], durable: bool, now_s: float) -> dict[str, Any]:
    """The payload as it is handed to the broker at `now_s`: late by more than 15 minutes is `delayed`."""
    late_s = now_s - from_text(payload["updated_at"])
    return {**payload, "durable": durable, "sent_at": to_text(now_s), "delayed": late_s > DELAYED_AFTER_S}


def priority_of(policy: Policy, finding: Finding, now: ProbeNow, *, used_by_trim: bool) -> Priority:
    """By consequence: the urgent form one step up, and one more where automatic trim follows a reading too high."""
    steps = 1 if finding.level >= 2 else 0
    if used_by_trim and misleads_trim(finding.symptom, now):
        steps += 1
    return policy.priority.raised(steps)


def _audience(policy: Policy, facts: Mapping[str, Any]) -> Audience:
    """An offset that misleads now, or a doubtful calibration that reads high, concerns the operator as well."""
    misleads = facts.get("remaining_beyond") is True or facts.get("reads_high") is True
    return Audience.OPERATOR if misleads and policy.audience is Audience.TECHNICIAN else policy.audience


def _status_signal(symptom: str, facts: Mapping[str, Any]) -> StatusSignal:
    """A drifted cell that is corrected needs maintenance; one that misleads now is out of specification (NE 107)."""
    if symptom == "cell_offset_drift" and facts.get("remaining_beyond") is True:
        return StatusSignal.OUT_OF_SPECIFICATION
    return symptom_row(symptom).status_signal


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else to_text(time_s)
