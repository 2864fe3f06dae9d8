"""One message on its way to the broker, as the rest of the agent hands it over."""

import json
import math
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["OutgoingMessage", "encoded"]

_WILDCARDS = "+#\0"
_TOPIC_BYTES_MAX = 65_535  # MQTT 5.0, section 1.5.4: a UTF-8 string has a 16-bit length


@dataclass(frozen=True, slots=True)
class OutgoingMessage:
    """What is to be published, and in which order.

    `kind` "event" means each one counts: none replaces another. "state" means the newest of a topic is the whole truth,
    so an older one that still waits is replaced; a state is always retained. `payload` None empties a retained topic.
    Messages of one `order_key` (an alert's id) reach the broker in the order they were committed.

    Raises
    ------
    ValueError
        A topic that cannot be published on, a state that is not retained, or an event without a payload.
    """

    topic: str
    payload: dict[str, Any] | None
    retain: bool
    kind: Literal["event", "state"]
    order_key: str
    created_s: float  # UTC, seconds since 1970

    def __post_init__(self) -> None:
        if not self.topic or any(c in self.topic for c in _WILDCARDS) or len(self.topic.encode()) > _TOPIC_BYTES_MAX:
            raise ValueError(f"topic {self.topic!r:.120} cannot be published on: 1 to 65535 bytes, no '+', '#' or NUL")
        if self.kind == "state" and not self.retain:
            raise ValueError(f"{self.topic}: a state message is retained, got retain=False")
        if self.payload is None and not self.retain:
            raise ValueError(f"{self.topic}: only a retained topic can be emptied, got payload None with retain=False")


def encoded(payload: dict[str, Any] | None) -> str | None:
    """A payload as JSON text; None stays None.

    JSON has no NaN and no infinity: one that slipped through becomes null, which in our payloads means 'missing'.

    Raises
    ------
    TypeError
        Something in it is not JSON: a fault of the caller.
    """
    if payload is None:
        return None
    try:
        text = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError:
        text = json.dumps(_finite(payload), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # Half a surrogate pair, from a name read off a file or a wire, has no UTF-8: it becomes '?'.
    return text.encode("utf-8", "replace").decode()


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return value
