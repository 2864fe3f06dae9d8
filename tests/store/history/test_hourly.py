"""Hourly values against their naive definition; a file for ever that no crash tears or doubles."""

import math
from collections import defaultdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.store.day_files import Part
from agent.store.hourly import append_hours, hourly_path, hours_of
from agent.store.rows import line_of

DAY_S = 20_718 * 86_400.0  # 2026-09-22


def naive(rows, width):
    """Hour -> samples, and for each column mean of the minutes' means, least and greatest."""
    hours = defaultdict(list)
    for row in rows:
        hours[int(row[0] // 3600)].append(row)
    out = {}
    for hour, found in hours.items():
        cells = []
        for i in range(1, width + 1):
            minutes = defaultdict(list)
            for row in found:
                if not math.isnan(row[i]):
                    minutes[int(row[0] // 60)].append(row[i])
            means = [sum(values) / len(values) for values in minutes.values()]
            every = [value for values in minutes.values() for value in values]
            cells += [sum(means) / len(means), min(every), max(every)] if means else [None] * 3
        out[hour] = (len(found), cells)
    return out


@settings(max_examples=50)
@given(
    st.lists(st.tuples(st.integers(0, 7_200_000), st.floats(-1e3, 1e3) | st.just(math.nan)), min_size=1, max_size=60)
)
def test_hours_equal_the_naive_definition(drawn):
    rows = [[DAY_S + at_ms / 1000.0, value, 1.0] for at_ms, value in sorted(dict(drawn).items())]
    part = Part(("o2", "firing"), [line_of(row) for row in rows])
    expected = naive(rows, 2)
    found = list(hours_of(part))
    assert len(found) == len(expected)
    for line, (hour, (samples, cells)) in zip(found, sorted(expected.items()), strict=True):
        stamp, count, *given_cells = line.split(",")
        assert stamp == line_of([hour * 3600.0])
        assert int(count) == samples
        for cell, value in zip(given_cells, cells, strict=True):
            if value is None:
                assert cell == ""
            else:
                assert float(cell) == pytest.approx(value, rel=1e-6, abs=1e-6)


def test_a_check_polled_each_second_weighs_its_minutes_and_not_its_rows():
    rows = [[DAY_S + 5.0 * i, 3.0] for i in range(600)]  # 50 min
    rows += [[DAY_S + 3000.0 + i, 20.95] for i in range(600)]  # 10 min
    (line,) = hours_of(Part(("o2",), [line_of(row) for row in rows]))
    assert float(line.split(",")[2]) == pytest.approx((50 * 3.0 + 10 * 20.95) / 60)


def hour(n, cells="2,3,1,4", day="2026-09-22"):
    return f"{day}T{n:02d}:00:00.000Z,{cells}"


def test_hours_are_appended_once_and_the_year_has_its_header(tmp_path):
    assert append_hours(tmp_path, "east", ("o2",), [hour(0), hour(1)]) == 0
    assert append_hours(tmp_path, "east", ("o2",), [hour(1), hour(2)]) == 1
    path = hourly_path(tmp_path, "east", "2026")
    assert path == tmp_path / "probe=east" / "year=2026.csv"
    assert path.read_text().splitlines() == ["time,samples,o2_mean,o2_min,o2_max", hour(0), hour(1), hour(2)]


def test_a_torn_last_line_is_written_again_whole(tmp_path):
    append_hours(tmp_path, "east", ("o2",), [hour(0), hour(1)])
    path = hourly_path(tmp_path, "east", "2026")
    whole = path.read_bytes()
    for cut in range(1, len(hour(1)) + 2):
        path.write_bytes(whole[:-cut])
        assert append_hours(tmp_path, "east", ("o2",), [hour(0), hour(1)]) == 1
        assert path.read_bytes() == whole


def test_a_header_torn_at_the_first_write_begins_anew(tmp_path):
    append_hours(tmp_path, "east", ("o2",), [hour(0)])
    path = hourly_path(tmp_path, "east", "2026")
    whole = path.read_bytes()
    for length in range(30):
        path.write_bytes(whole[:length])
        append_hours(tmp_path, "east", ("o2",), [hour(0)])
        assert path.read_bytes() == whole


def test_new_signals_widen_the_file_and_gone_ones_stay(tmp_path):
    append_hours(tmp_path, "east", ("o2",), [hour(0)])
    append_hours(tmp_path, "east", ("load", "o2"), [hour(1, "9,50,40,60,3,1,4")])
    append_hours(tmp_path, "east", ("load",), [hour(2, "9,51,41,61")])
    path = hourly_path(tmp_path, "east", "2026")
    assert path.read_text().splitlines() == [
        "time,samples,o2_mean,o2_min,o2_max,load_mean,load_min,load_max",
        hour(0, "2,3,1,4,,,"),
        hour(1, "9,3,1,4,50,40,60"),
        hour(2, "9,,,,51,41,61"),
    ]


def test_hours_of_an_old_day_are_found_however_far_back(tmp_path):
    days = [f"2026-{month:02d}-{day:02d}" for month in range(1, 4) for day in range(1, 29)]
    for day in days:
        append_hours(tmp_path, "east", ("o2",), [hour(n, "2,3.123456,1.123456,4.12345678", day) for n in range(24)])
    again = [hour(n, "9,9,9,9", days[3]) for n in range(24)]
    assert append_hours(tmp_path, "east", ("o2",), again) == 24
    path = hourly_path(tmp_path, "east", "2026")
    assert len(path.read_text().splitlines()) == 1 + 24 * len(days)
