"""RFC 3339 date-times: UTC, 'Z', milliseconds out; any offset in."""

from datetime import UTC, datetime

__all__ = ["from_text", "milliseconds", "to_text"]


def milliseconds(time_s: float) -> int:
    """UTC seconds since 1970 as whole milliseconds: what the text carries and what ids are made of."""
    return round(time_s * 1000.0)


def to_text(time_s: float) -> str:
    """UTC seconds since 1970 as `2026-01-31T04:05:06.789Z`.

    Raises
    ------
    ValueError
        A time that is not finite or outside the years 1 to 9999.
    """
    try:
        whole, milli = divmod(milliseconds(time_s), 1000)
        moment = datetime.fromtimestamp(whole, UTC)
    except (OverflowError, OSError, ValueError):
        raise ValueError(f"time_s must be UTC seconds within the years 1 to 9999, got {time_s!r}") from None
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{milli:03d}Z".rjust(24, "0")  # %Y does not pad years below 1000


def from_text(text: str) -> float:
    """UTC seconds since 1970 of an RFC 3339 date-time; the offset is required.

    Raises
    ------
    ValueError
        Not such a text; the message says what would be right.
    """
    wanted = f"a time must read like 2026-01-31T04:05:06.789Z or ...+01:00, got {text!r}"
    if len(text) < 20 or text[10] not in "Tt" or (text[-6:-5] not in "+-" and text[-1] not in "Zz"):
        raise ValueError(wanted)
    try:
        moment = datetime.fromisoformat(text.upper())
    except ValueError:
        raise ValueError(wanted) from None
    if moment.tzinfo is None:
        raise ValueError(wanted)
    return moment.timestamp()
