"""What a calibration stored, with a settled check before it and without."""

import json

import numpy as np
import pytest

from agent.reconstruct.offset import Offset
from detectors.cell_offset_drift import AirCheck

T0 = 1_760_000_000.0


def check(at_s, raw_mv, remaining_mv=np.nan):
    return AirCheck(at_s=at_s, raw_offset_mv=raw_mv, raw_u_mv=0.2, remaining_offset_mv=remaining_mv, remaining_u_mv=0.2)


def stored(one, *rows):
    return one.stored(np.array([row[0] for row in rows]), np.array([row[1] for row in rows], float))


def test_a_calibration_after_its_check_leaves_the_rest_of_it():
    one = Offset()
    assert stored(one, (T0, 1.0)) == []
    one.checked(check(T0 + 60.0, 3.5, 2.5))
    [left] = stored(one, (T0 + 120.0, 1.0), (T0 + 180.0, 3.2))
    assert left.restored
    assert left.remaining_offset_mv == pytest.approx(0.3)


def test_a_calibration_that_nobody_saw_tells_what_it_stored():
    one = Offset()
    one.checked(check(T0, 0.2, 0.0))
    stored(one, (T0, 0.2))
    [told] = stored(one, (T0 + 14 * 86_400.0, 4.1))
    assert (told.raw_offset_mv, told.raw_u_mv, told.restored) == (4.1, 0.5, False)
    assert np.isnan(told.remaining_offset_mv)  # not 0.2 - 4.1 against a check of a fortnight ago
    assert one.remaining is None


def test_the_first_stored_value_and_one_that_stays_tell_nothing():
    one = Offset()
    assert stored(one, (T0, 6.0), (T0 + 60.0, np.nan), (T0 + 120.0, 6.0)) == []
    again = Offset(json.loads(json.dumps(one.to_dict(), allow_nan=False)))
    assert stored(again, (T0 + 180.0, 6.0)) == []
