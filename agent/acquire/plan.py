"""Which blocks to read: as few requests as the limits allow, and never an address that the map does not name."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from agent.acquire.transport import Table

__all__ = ["Block", "Span", "make_plan", "split_block"]


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """The addresses of one value in one table."""

    table: Table
    address: int
    width: int

    @property
    def end(self) -> int:
        """One past the last address."""
        return self.address + self.width


@dataclass(frozen=True, slots=True)
class Block:
    """One request, and the values that it brings whole."""

    table: Table
    address: int
    count: int
    spans: tuple[Span, ...]

    @property
    def end(self) -> int:
        """One past the last address."""
        return self.address + self.count


def make_plan(
    spans: Iterable[Span], *, max_registers: int = 125, max_bits: int = 2000, bridge_gaps: int = 0
) -> list[Block]:
    """Cover every span with as few blocks as possible.

    A block never exceeds the limit of its table, never splits a span, and holds no run of unmapped addresses longer
    than `bridge_gaps`. Greedy from the lowest address is optimal: a block that must hold the lowest open span gains
    nothing by starting lower, and what it can reach from there does not depend on which spans it takes.

    Raises
    ------
    ValueError
        An address is outside 0..65535, or one value is wider than the limit; the message says which.
    """
    blocks: list[Block] = []
    open_spans = sorted(set(spans))
    for span in open_spans:
        if span.address < 0 or span.end > 65536:
            raise ValueError(
                f"{span.table} {span.address}..{span.end - 1} is outside 0..65535 (is address_shift right?)"
            )
    while open_spans:
        table = open_spans[0].table
        limit = max_registers if table in ("holding", "input") else max_bits
        here = [span for span in open_spans if span.table == table]
        open_spans = [span for span in open_spans if span.table != table]
        while here:
            taken = _reach(here, limit, bridge_gaps)
            blocks.append(_block(taken))
            members = set(taken)
            here = [span for span in here if span not in members]
    return blocks


def _reach(spans: Sequence[Span], limit: int, bridge_gaps: int) -> list[Span]:
    """The spans that one block from the first one's address can hold. `spans` is sorted by address."""
    start = spans[0].address
    if spans[0].width > limit:
        raise ValueError(
            f"the value at {spans[0].table} {start} takes {spans[0].width} registers, and one request may hold {limit}"
        )
    taken: list[Span] = []
    covered = start  # one past the last address known to be mapped, without a gap too long, from the start
    for span in spans:
        if span.address - covered > bridge_gaps or span.address >= start + limit:
            break
        covered = max(covered, span.end)
        if span.end <= start + limit:
            taken.append(span)
    return taken


def _block(spans: Sequence[Span]) -> Block:
    start = min(span.address for span in spans)
    return Block(spans[0].table, start, max(span.end for span in spans) - start, tuple(spans))


def split_block(block: Block) -> list[Block]:
    """Two smaller blocks with the same spans, or the block itself where it holds only one address range.

    Used to find the one address that a transmitter refuses.
    """
    ordered = sorted(block.spans)
    middle = len(ordered) // 2
    if middle == 0 or ordered[middle].address == ordered[0].address:
        later = [span for span in ordered if span.address != ordered[0].address]
        if not later:
            return [block]
        middle = ordered.index(later[0])
    return [_block(part) for part in (ordered[:middle], ordered[middle:])]
