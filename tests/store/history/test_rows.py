"""Lines and blocks: what goes in comes out, to the last bit."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.rfc3339 import from_text
from agent.store.rows import Segment, blocks_of, line_of, pour, segments_of

VALUES = st.one_of(st.floats(allow_infinity=False), st.integers(-(10**9), 10**9).map(float), st.just(0.1 + 0.2))


@given(st.integers(0, 4_000_000_000_000), st.lists(VALUES, min_size=1, max_size=5))
def test_a_line_reads_back_as_the_same_floats_and_millisecond(at_ms, values):
    stamp, *cells = line_of([at_ms / 1000.0, *values]).split(",")
    assert from_text(stamp) == at_ms / 1000.0
    for value, cell in zip(values, cells, strict=True):
        if math.isnan(value):
            assert cell == ""
        else:
            assert float(cell) == value
            assert math.copysign(1, float(cell)) == math.copysign(1, value)
            assert len(cell) <= len(repr(value))


@pytest.mark.parametrize(
    ("value", "text"), [(700.0, "700"), (0.3, "0.3"), (-0.0, "-0"), (1e22, "1e+22"), (20.95, "20.95")]
)
def test_the_shortest_decimal_is_written(value, text):
    assert line_of([0.0, value]) == f"1970-01-01T00:00:00.000Z,{text}"


def test_what_is_not_finite_is_missing_and_never_zero():
    assert line_of([0.0, math.nan, math.inf, 0.0]) == "1970-01-01T00:00:00.000Z,,,0"


def test_a_block_holds_one_day_so_midnight_makes_two():
    rows = {"east": [[86_399.999, 1.0], [86_400.0, 2.0]], "west": [[86_399.5, 3.0]]}
    first, second = blocks_of(rows, {"east": ("o2",), "west": ("o2",)})
    assert (first.day, first.rows, first.first_ms, first.last_ms) == (0, 2, 86_399_500, 86_399_999)
    assert (second.day, second.rows, second.first_ms, second.last_ms) == (1, 1, 86_400_000, 86_400_000)
    assert [s.probe for s in segments_of(first.data)] == ["east", "west"]
    assert list(segments_of(second.data)) == [Segment("east", ("o2",), ["1970-01-02T00:00:00.000Z,2"])]


def test_a_probe_without_a_signal_still_has_its_times():
    segment = Segment("east", (), ["1970-01-02T00:00:00.000Z"])
    assert list(segments_of(pour([segment]))) == [segment]


@given(st.integers(0, 200), st.integers(1, 255))
def test_a_damaged_block_is_refused_whole(at, by):
    data = bytearray(pour([Segment("east", ("o2",), [f"1970-01-02T00:00:0{i}.000Z,{i}" for i in range(9)])]))
    data[at % len(data)] ^= by
    try:
        segments = list(segments_of(bytes(data)))
    except ValueError:
        return
    assert len(segments) == 1  # a bit of the header that means nothing
    assert len(segments[0].lines) == 9
