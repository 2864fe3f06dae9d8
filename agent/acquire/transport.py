"""The narrow border between polling and the wire: one reader, one error with a reason from a closed set."""

from dataclasses import dataclass
from typing import Final, Literal, Protocol

from agent.signals import Reason

__all__ = [
    "EXCEPTIONS",
    "FUNCTIONS",
    "GATEWAY_EXCEPTIONS",
    "LinkError",
    "Overheard",
    "RegisterReader",
    "Table",
    "Wire",
    "Words",
]

Table = Literal["holding", "input", "coil", "discrete"]
Words = tuple[int, ...] | list[bool]  # registers 0..65535, or bits

# The only function codes that this agent can send. Modbus Application Protocol V1.1b3, sections 6.1 to 6.4.
FUNCTIONS: Final[dict[str, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}

# Modbus Application Protocol V1.1b3, section 7.
EXCEPTIONS: Final[dict[int, str]] = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server failure",
    0x05: "acknowledge",
    0x06: "server busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target did not respond",
}

GATEWAY_EXCEPTIONS: Final = frozenset({0x0A, 0x0B})  # the gateway speaks: what is behind it is silent


class LinkError(Exception):
    """A read that brought no value, and why. Every library and system error is folded into this one.

    `code` is the Modbus exception code where `reason` is EXCEPTION, else 0.
    """

    def __init__(self, reason: Reason, detail: str, *, code: int = 0) -> None:
        super().__init__(f"{reason.value}: {detail}")
        self.reason = reason
        self.detail = detail
        self.code = code


@dataclass(frozen=True, slots=True)
class Overheard:
    """What came in while nothing was asked."""

    foreign: tuple[str, ...] = ()  # whole frames of somebody else, in hex
    late: int = 0  # answers to requests that had timed out: the time-out is too short
    duplicates: int = 0  # the last answer once more
    noise_bytes: int = 0  # no frame at all


class RegisterReader(Protocol):
    """Reads one block of one table of one unit."""

    async def read(self, unit: int, table: Table, address: int, count: int) -> Words:
        """Return exactly `count` registers or bits, or raise `LinkError`. A cancelled read stays cancelled."""


class Wire(RegisterReader, Protocol):
    """A line's connection: opened and closed by its owner, one request at a time."""

    shared_medium: bool  # a serial line, here or behind a converter: it has one master
    read_cost_s: float  # what an unanswered request costs the line

    @property
    def stray(self) -> bool:
        """Whether something came in while nothing was asked."""

    @property
    def is_open(self) -> bool:
        """Whether a request could be sent now."""

    async def open(self) -> None:
        """Connect, or raise `LinkError` with Reason.CONNECT."""

    def close(self) -> None:
        """Drop the connection. Never fails, and may be called twice."""

    def overheard(self, *, final: bool = False) -> Overheard:
        """Judge and forget what came in unasked; what may still be growing waits, unless this is the `final` look."""
