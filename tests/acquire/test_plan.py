"""Plans of requests, against every plan that there is on small cases."""

import functools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.acquire.plan import Block, Span, make_plan, split_block

spans_of_one_table = st.lists(
    st.builds(Span, table=st.just("holding"), address=st.integers(0, 16), width=st.sampled_from([1, 1, 2, 4])),
    min_size=1,
    max_size=7,
)


def fewest(spans: list[Span], limit: int, bridge: int) -> int:
    """Brute force: the smallest number of blocks among all choices of [start, end) that keep the rules."""
    spans = sorted(set(spans))
    mapped = {address for span in spans for address in range(span.address, span.end)}
    last = max(mapped)

    def allowed(start: int, end: int) -> bool:
        gap = 0
        for address in range(start, end):
            gap = 0 if address in mapped else gap + 1
            if gap > bridge:
                return False
        return True

    blocks = [
        frozenset(i for i, span in enumerate(spans) if start <= span.address and span.end <= end)
        for start in mapped
        for end in range(start + 1, min(start + limit, last + 1) + 1)
        if allowed(start, end)
    ]

    @functools.cache
    def cover(left: frozenset[int]) -> int:
        if not left:
            return 0
        first = min(left)
        return 1 + min(cover(left - block) for block in blocks if first in block)

    return cover(frozenset(range(len(spans))))


@settings(max_examples=150, deadline=None)
@given(spans=spans_of_one_table, limit=st.integers(4, 12), bridge=st.integers(0, 3))
def test_a_plan_has_as_few_requests_as_any_that_keeps_the_rules(spans, limit, bridge):
    plan = make_plan(spans, max_registers=limit, bridge_gaps=bridge)
    assert len(plan) == fewest(spans, limit, bridge)


TABLES = ("holding", "input", "coil", "discrete")


@st.composite
def any_spans(draw):
    table = draw(st.sampled_from(TABLES))
    width = draw(st.sampled_from([1, 2, 4])) if table in ("holding", "input") else 1
    return Span(table, draw(st.integers(0, 65536 - width)), width)


@settings(max_examples=150, deadline=None)
@given(
    spans=st.lists(
        any_spans() | st.builds(Span, st.sampled_from(TABLES), st.integers(0, 400), st.just(1)), max_size=60
    ),
    registers=st.integers(4, 125),
    bits=st.integers(1, 2000),
    bridge=st.integers(0, 100),
)
def test_every_plan_keeps_the_invariants(spans, registers, bits, bridge):
    plan = make_plan(spans, max_registers=registers, max_bits=bits, bridge_gaps=bridge)
    mapped = {(span.table, address) for span in spans for address in range(span.address, span.end)}
    assert sorted(span for block in plan for span in block.spans) == sorted(set(spans))  # each once, none lost
    for block in plan:
        assert 1 <= block.count <= (registers if block.table in ("holding", "input") else bits)
        assert block.address >= 0
        assert block.end <= 65536
        assert all(block.address <= span.address and span.end <= block.end for span in block.spans)
        assert all(span.table == block.table for span in block.spans)
        gap = longest = 0
        for address in range(block.address, block.end):
            gap = 0 if (block.table, address) in mapped else gap + 1
            longest = max(longest, gap)
        assert longest <= bridge
        assert (block.table, block.address) in mapped
        assert (block.table, block.end - 1) in mapped


def test_a_hundred_and_twenty_five_registers_go_in_one_request_and_one_more_needs_two():
    one = [Span("input", n, 1) for n in range(125)]
    assert make_plan(one) == [Block("input", 0, 125, tuple(one))]
    assert [block.count for block in make_plan([*one, Span("input", 125, 1)])] == [125, 1]


def test_a_value_at_the_limit_is_not_split():
    spans = [Span("holding", n, 1) for n in range(124)] + [Span("holding", 124, 2)]
    assert [(block.address, block.count) for block in make_plan(spans)] == [(0, 124), (124, 2)]


def test_gaps_are_bridged_only_where_the_map_allows_it():
    spans = [Span("holding", 0, 1), Span("holding", 3, 1)]
    assert [block.count for block in make_plan(spans)] == [1, 1]
    assert [block.count for block in make_plan(spans, bridge_gaps=1)] == [1, 1]
    assert [block.count for block in make_plan(spans, bridge_gaps=2)] == [4]


@pytest.mark.parametrize(
    ("span", "limit", "words"),
    [
        (Span("holding", -1, 1), 125, "address_shift"),
        (Span("holding", 65535, 2), 125, "65535..65536 is outside"),
        (Span("holding", 7, 4), 2, "holding 7 takes 4 registers, and one request may hold 2"),
    ],
)
def test_an_impossible_plan_says_what_is_wrong(span, limit, words):
    with pytest.raises(ValueError, match=words):
        make_plan([span], max_registers=limit)


@given(spans=spans_of_one_table)
def test_taking_a_block_apart_keeps_every_value_and_ends_at_single_ranges(spans):
    waiting, done = make_plan(spans, max_registers=125, bridge_gaps=100), []
    while waiting:
        block = waiting.pop()
        parts = split_block(block)
        assert sorted(span for part in parts for span in part.spans) == sorted(block.spans)
        if len(parts) == 1:
            assert len({span.address for span in block.spans}) == 1
            done.append(block)
        else:
            assert all(len(part.spans) < len(block.spans) for part in parts)
            waiting += parts
    assert sorted(span for block in done for span in block.spans) == sorted(set(spans))
