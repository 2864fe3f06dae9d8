"""How a line or a unit is now, and the little that polling needs of a log."""

from dataclasses import dataclass, field
from typing import Any, Protocol

from agent.signals import Reason

__all__ = ["LinkNow", "Log"]


class Log(Protocol):
    """What is used of a structured log."""

    def info(self, event: str, **values: Any) -> Any:
        """Worth knowing."""

    def warning(self, event: str, **values: Any) -> Any:
        """Worth a look."""

    def error(self, event: str, **values: Any) -> Any:
        """Worth an action."""


@dataclass(slots=True)
class LinkNow:
    """How a line, or a unit on it, is now. `reason` is None while it answers or was not asked yet."""

    line: str
    unit: int | None = None
    reason: Reason | None = None
    detail: str = ""
    since_s: float | None = None  # UTC
    attempts: int = 0  # failures in a row
    retry_at_s: float = field(default=0.0, repr=False)  # monotonic
