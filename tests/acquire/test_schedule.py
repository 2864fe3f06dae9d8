"""Grids, dither and rests as tables."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.acquire.schedule import Grid, listen_rest_s, needs_dither, rest_s, stagger_s


# Twice the cost, doubling, up to the longest: by hand for a time-out of 1 s and back_off_max_s = 60.
@pytest.mark.parametrize(
    ("attempts", "alone_s", "shared_s"),
    [(0, 0, 0), (1, 2, 2), (2, 4, 4), (3, 8, 8), (4, 16, 16), (5, 32, 32), (6, 60, 64), (7, 60, 100), (8, 60, 100),
     (1000, 60, 100), (10**9, 60, 100), (2**70, 60, 100)],
)  # fmt: skip
def test_the_rest_doubles_up_to_its_limit(attempts, alone_s, shared_s):
    common = {"cost_s": 1.0, "back_off_max_s": 60.0, "jitter": 0.0}
    assert rest_s(attempts, others_wait=False, **common) == alone_s
    assert rest_s(attempts, others_wait=True, **common) == shared_s


@given(
    attempts=st.integers(12, 2**63),
    cost_s=st.floats(0.01, 60),
    back_off_max_s=st.floats(1, 3600),
    jitter=st.floats(0, 1, exclude_max=True),
)
def test_a_dead_unit_takes_under_one_percent_of_a_shared_line(attempts, cost_s, back_off_max_s, jitter):
    rest = rest_s(attempts, cost_s=cost_s, back_off_max_s=back_off_max_s, others_wait=True, jitter=jitter)
    assert cost_s / (cost_s + rest) < 0.01
    assert rest <= 1.2 * max(back_off_max_s, 100 * cost_s)


def test_jitter_only_lengthens_the_rest():
    at = {"cost_s": 1.0, "back_off_max_s": 60.0, "others_wait": False}
    assert rest_s(3, jitter=0.0, **at) == 8
    assert rest_s(3, jitter=0.5, **at) == pytest.approx(8.8)


@pytest.mark.parametrize(("refusals", "expected_s"), [(1, 30), (2, 60), (3, 120), (6, 900), (10**6, 900)])
def test_a_foreign_master_is_listened_for_again_ever_later(refusals, expected_s):
    assert listen_rest_s(refusals, 0.0) == expected_s


@given(start=st.floats(0, 1e6), period=st.floats(0.1, 3600), steps=st.integers(1, 200))
def test_a_grid_does_not_drift(start, period, steps):
    grid = Grid(start, period)
    for _ in range(steps):
        grid.advance(grid.due_s)
    assert grid.due_s == pytest.approx(start + steps * period, rel=1e-12)


def test_a_million_steps_land_where_one_multiplication_does():
    grid = Grid(1000.0, 0.1)
    grid.advance(1000.0 + 999_999.5 * 0.1)
    assert grid.due_s == 1000.0 + 999_999 * 0.1


@pytest.mark.parametrize(
    ("now_s", "due_s", "skipped"),
    [(100.2, 105, 0), (105.0, 105, 0), (109.9, 105, 0), (110.0, 110, 1), (123.0, 120, 3)],
)
def test_a_late_slot_is_served_in_its_own_time_and_one_that_is_over_is_skipped(now_s, due_s, skipped):
    grid = Grid(100.0, 5.0)
    assert grid.advance(now_s) == skipped
    assert grid.due_s == due_s


def test_dither_draws_one_instant_in_every_slot_and_the_slots_stay_on_the_grid():
    grid = Grid(100.0, 5.0, random.Random(3))
    offsets = []
    for slot in range(2000):
        offset = grid.due_s - (100.0 + 5.0 * slot)
        assert 0 <= offset < 5
        offsets.append(offset / 5.0)
        assert grid.advance(grid.due_s) == 0
    # Uniform on 0..1: mean 0.5, and the largest distance from the diagonal under Kolmogorov's 1.63/sqrt(n) (1 %).
    ranked = sorted(offsets)
    assert max(abs(x - (i + 0.5) / 2000) for i, x in enumerate(ranked)) < 1.63 / 2000**0.5


def test_dither_takes_the_beat_out_of_a_sampled_relay():
    """A relay of 10 s with a third of duty, polled every 5 s: on the grid two instants are all that is ever seen."""

    def seen(dither):
        grid = Grid(0.25, 5.0, dither)
        on = 0
        for _ in range(4000):
            on += grid.due_s % 10.0 < 10.0 / 3
            grid.advance(grid.due_s)
        return on / 4000

    assert seen(None) == 0.5  # 0.25 and 5.25 of each cycle
    assert seen(random.Random(5)) == pytest.approx(1 / 3, abs=0.03)  # 4 standard errors of a binomial


def test_a_period_must_be_positive():
    with pytest.raises(ValueError, match="period_s"):
        Grid(0.0, 0.0)
    with pytest.raises(ValueError, match="period_s"):
        Grid(0.0, float("nan"))


@pytest.mark.parametrize("probes", [2, 10, 50, 200])
def test_staggered_probes_are_spread_over_the_period(probes):
    offsets = sorted(stagger_s(i, 1.0) for i in range(probes))
    gaps = [b - a for a, b in zip(offsets, [*offsets[1:], offsets[0] + 1.0], strict=True)]
    # Multiples of the golden ratio leave gaps of at most phi^2 / n: V. T. Sos, "On the distribution mod 1 of the
    # sequence n alpha", Ann. Univ. Sci. Budapest 1, 127-134, 1958 (three gaps); the constant is from memory.
    assert max(gaps) <= 2.62 / probes + 1 / 32  # and one step of the grid of instants


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ({"heater_on"}, True),
        ({"heater_on", "o2"}, True),
        ({"heater_on", "heater_output"}, False),
        ({"heater_on", "heater_on_time"}, False),
        ({"heater_output"}, False),
        (set(), False),
    ],
)
def test_only_a_sampled_relay_needs_dither(names, expected):
    assert needs_dither(frozenset(names)) is expected
