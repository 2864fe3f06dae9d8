"""A set point that nobody tells is learnt from where the controller holds the cell."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.reconstruct.set_point import SetPoint
from detectors.stretch import Stretch

T0 = 1_760_000_400.0  # a multiple of ten minutes


def samples(temp_c, *, every_s=60.0, from_s=T0, **signals):
    temp_c = np.asarray(temp_c, float)
    return Stretch(from_s + every_s * np.arange(temp_c.size), {"cell_temp": temp_c, **signals})


def learner(state=None, *, said=None, told=False):
    return SetPoint(said, told, 5.0, state)


def run(one, stretch, duty=0.5):
    return one.run(stretch, np.broadcast_to(np.asarray(duty, float), len(stretch)))


def test_a_cell_held_at_650_for_two_hours_is_at_its_set_point():
    noise = np.random.default_rng(1).normal(0.0, 1.0, 300)
    value = run(learner(), samples(650.0 + noise))
    assert (value[:120] == 700.0).all()
    assert value[120:] == pytest.approx(650.0, abs=0.5)


@pytest.mark.parametrize(
    ("temp_c", "duty"),
    [
        (np.full(300, 670.0), 1.0),  # the heater is at its end: it holds nothing
        (np.full(300, 670.0), 0.0),
        (np.full(300, 320.0), 0.5),  # no cell works there
        (600.0 + 0.1 * np.arange(300), 0.5),  # 6 K an hour: it does not stand
        (np.full(300, np.nan), 0.5),
    ],
)
def test_what_does_not_stand_by_control_teaches_nothing(temp_c, duty):
    assert (run(learner(), samples(temp_c), duty) == 700.0).all()


def test_dips_of_blowbacks_do_not_hide_it():
    temp_c = np.full(600, 800.0)
    temp_c[::30] -= 12.0
    assert run(learner(), samples(temp_c))[-1] == pytest.approx(799.5, abs=0.8)


def test_a_set_point_that_was_moved_is_learnt_anew():
    value = run(learner(), samples(np.r_[np.full(200, 700.0), np.full(200, 750.0)]))
    assert (value[130], value[-1]) == (700.0, 750.0)


def test_what_is_told_or_said_is_not_learnt():
    assert (run(learner(said=760.0), samples(np.full(300, 650.0))) == 760.0).all()
    told = samples(np.full(4, 650.0), cell_temp_setpoint=np.array([np.nan, 710.0, np.nan, 720.0]))
    assert run(learner(told=True), told).tolist() == [700.0, 710.0, 710.0, 720.0]


@given(cuts=st.lists(st.integers(1, 499), max_size=6), gap=st.integers(0, 499), seed=st.integers(0, 9))
@settings(max_examples=40, deadline=None)
def test_any_cut_and_restart_give_the_same(cuts, gap, seed):
    rng = np.random.default_rng(seed)
    temp_c = rng.choice([650.0, 655.0, 700.0]) + rng.normal(0.0, 1.0, 500)
    whole = samples(temp_c)
    time_s = whole.time_s.copy()
    time_s[gap:] += 3000.0
    duty = rng.uniform(0.0, 1.0, 500)
    expected = learner().run(Stretch(time_s, whole.signals), duty)
    one, got = learner(), []
    for part in np.split(np.arange(500), sorted(set(cuts))):
        got.append(one.run(Stretch(time_s[part], {"cell_temp": temp_c[part]}), duty[part]))
        one = learner(json.loads(json.dumps(one.to_dict(), allow_nan=False)))
    assert (np.concatenate(got) == expected).all()
