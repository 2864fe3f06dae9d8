import pytest

from agent.rfc3339 import from_text, to_text

# RFC 3339 section 5.8, with their Unix times by CPython's datetime.
EXAMPLES = [
    ("1985-04-12T23:20:50.52Z", 482196050.52),
    ("1996-12-19T16:39:57-08:00", 851042397.0),
    ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
]


@pytest.mark.parametrize(("text", "time_s"), EXAMPLES)
def test_the_standards_own_examples_are_read(text, time_s):
    assert from_text(text) == pytest.approx(time_s, abs=1e-6)


def test_text_is_utc_with_milliseconds_and_z():
    assert to_text(482196050.52) == "1985-04-12T23:20:50.520Z"
    assert to_text(0.9996) == "1970-01-01T00:00:01.000Z"  # rounding carries


@pytest.mark.parametrize(
    "text",
    ["2026-01-31T04:05:06", "2026-13-01T00:00:00Z", "2026-01-31T24:00:01Z", "2026-01-31T04:05:06+01", "soon", ""],
)
def test_what_is_no_date_time_with_an_offset_is_refused_and_shown_what_would_be_right(text):
    with pytest.raises(ValueError, match="must read like"):
        from_text(text)


@pytest.mark.parametrize("time_s", [float("nan"), float("inf"), 1e15])
def test_a_time_that_no_calendar_has_is_refused(time_s):
    with pytest.raises(ValueError, match="time_s"):
        to_text(time_s)
