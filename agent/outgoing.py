"""Between the alerts and the outbox: transitions as messages and rows of one transaction, and what is stamped last."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from agent.alerts.ledger import Transition
from agent.alerts.payload import stamp as stamp_alert
from agent.store.messages import OutgoingMessage

__all__ = ["ALERT_ROWS", "PROBE_ROWS", "alert_rows", "messages_of", "stamp"]

ALERT_ROWS: Final = "alert"  # kinds of row in the store
PROBE_ROWS: Final = "probe"


def messages_of(transitions: Iterable[Transition]) -> list[OutgoingMessage]:
    """The messages of these transitions, in order; those of one alert stay in order on the way."""
    return [
        OutgoingMessage(
            topic=message.topic,
            payload=message.payload,
            retain=message.retain,
            kind="state" if message.retain else "event",
            order_key=transition.key,
            created_s=transition.at_s,
        )
        for transition in transitions
        for message in transition.messages
    ]


def alert_rows(rows: Mapping[str, Mapping[str, Any]]) -> dict[tuple[str, str], dict[str, Any] | None]:
    """Rows of the alert book under their kind."""
    return {(ALERT_ROWS, key): dict(row) for key, row in rows.items()}


def stamp(payload: dict[str, Any], durable: bool, now_s: float) -> dict[str, Any]:
    """The instant of sending, into the payloads that have a place for it."""
    if payload.get("schema", "").startswith("flueward.alert/"):
        return stamp_alert(payload, durable, now_s)
    return payload
