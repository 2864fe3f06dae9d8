"""The MQTT topics of the contract."""

import re
from typing import Final

__all__ = ["agent_topic", "probe_topic", "response_topic"]

_ID: Final = re.compile(r"[a-z0-9_-]{1,32}")
_PROBE: Final = frozenset({"alert", "check", "event", "condition", "sample"})
_AGENT: Final = frozenset({"status", "request"})


def probe_topic(site: str, probe: str, name: str, symptom: str | None = None) -> str:
    """`flueward/{site}/probe/{probe}/{name}`, with `/{symptom}` for alert and check; ValueError for a bad id."""
    if name not in _PROBE:
        raise ValueError(f"there is no probe topic {name!r}; known are {', '.join(sorted(_PROBE))}")
    if (symptom is not None) != (name in ("alert", "check")):
        raise ValueError(f"a symptom belongs to the topics alert and check, and only there; got {name!r}, {symptom!r}")
    parts = ["flueward", _checked("site", site), "probe", _checked("probe", probe), name]
    if symptom is not None:
        parts.append(_checked("symptom", symptom))
    return "/".join(parts)


def agent_topic(site: str, agent: str, name: str) -> str:
    """`flueward/{site}/agent/{agent}/{name}`; ValueError for a bad id."""
    if name not in _AGENT:
        raise ValueError(f"there is no agent topic {name!r}; known are {', '.join(sorted(_AGENT))}")
    return f"flueward/{_checked('site', site)}/agent/{_checked('agent', agent)}/{name}"


def response_topic(site: str, agent: str, request_id: str) -> str:
    """Where a request is answered: named by us, never by the sender; ValueError for a bad id."""
    site, agent = _checked("site", site), _checked("agent", agent)
    return f"flueward/{site}/agent/{agent}/response/{_checked('request_id', request_id)}"


def _checked(what: str, text: str) -> str:
    if not _ID.fullmatch(text):
        raise ValueError(f"{what} must match [a-z0-9_-]{{1,32}} to be part of a topic, got {text!r}")
    return text
