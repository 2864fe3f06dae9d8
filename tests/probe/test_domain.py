"""What a formula accepts, and what it says about the rest."""

import math

import numpy as np
import pytest

from detectors.probe.domain import ProbeInputError, in_range


def test_the_message_names_the_argument_the_bounds_and_the_first_offender() -> None:
    with pytest.raises(ProbeInputError, match=r"^o2_frac must be > 0 and <= 1, got -0\.2 at index 2$"):
        in_range("o2_frac", [0.1, math.nan, -0.2, 5.0], above=0.0, up_to=1.0)


def test_a_scalar_offender_needs_no_index() -> None:
    with pytest.raises(ProbeInputError, match=r"^tau_s must be >= 0, got -1\.0$"):
        in_range("tau_s", -1.0, at_least=0.0)


def test_infinity_is_never_in_range() -> None:
    with pytest.raises(ProbeInputError, match="must be finite, got inf"):
        in_range("emf_mv", [0.0, math.inf])


def test_dirty_data_become_nan_where_the_caller_asks_for_it() -> None:
    found = in_range("x", [0.5, -1.0, math.inf, math.nan], at_least=0.0, below=1.0, invalid="nan")
    np.testing.assert_array_equal(found, [0.5, math.nan, math.nan, math.nan])


def test_the_input_is_not_written_to() -> None:
    given = np.array([-1.0, 1.0])
    in_range("x", given, at_least=0.0, invalid="nan")
    np.testing.assert_array_equal(given, [-1.0, 1.0])


def test_an_empty_array_is_in_range() -> None:
    assert in_range("x", [], above=0.0).size == 0
