"""Times of the recorder's own form, read quickly, against the standard library; epochs by their size."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.replay.files.columns import Mapped, Wanted
from agent.replay.files.csv_head import Format, read_head
from agent.replay.files.csv_rows import rows_of
from agent.replay.files.problems import Problems
from agent.replay.files.times import from_epoch, from_fixed, from_texts
from agent.rfc3339 import from_text, to_text

instants = st.integers(631_152_000_000, 4_102_444_799_999).map(lambda ms: to_text(ms / 1000))


@given(st.lists(instants, min_size=1, max_size=20))
@settings(deadline=None)
def test_the_recorders_times_come_back_as_the_standard_library_reads_them(texts):
    found = from_fixed(texts)
    assert found is not None
    assert found.tolist() == [from_text(text) for text in texts]
    assert from_texts(texts)[0].tolist() == found.tolist()


@pytest.mark.parametrize(
    "odd",
    [
        "2026-02-29T00:00:00.000Z",
        "2026-13-01T00:00:00.000Z",
        "2026-00-01T00:00:00.000Z",
        "2026-01-32T00:00:00.000Z",
        "2026-01-00T00:00:00.000Z",
        "2026-01-01T24:00:00.000Z",
        "2026-01-01T00:60:00.000Z",
        "2026-01-01T00:00:60.000Z",
        "2026-01-01 00:00:00.000Z",
        "2026-01-01T00:00:00.000",
        "2026-01-01T00:00:00.0000",
        "2026-01-01T00:00:00.00:Z",
        "\uff12026-01-01T00:00:00.000Z",
        "",
    ],
)
def test_any_other_form_is_left_to_the_careful_way(odd):
    assert from_fixed(["2026-01-01T00:00:00.000Z", odd]) is None


@given(st.integers(631_152_000, 4_102_444_799), st.integers(0, 999_999))
def test_an_epoch_of_any_unit_is_the_same_instant(second, micro):
    wanted = datetime.fromtimestamp(second, UTC).replace(microsecond=micro).timestamp()
    us = second * 1_000_000 + micro
    for count in (us, us * 1000, us * 1000 + 999):
        assert from_epoch(np.array([count], np.int64)).tolist() == [wanted]
    assert from_epoch(np.array([second], np.int64)).tolist() == [second]
    assert from_epoch(np.array([second * 1000], np.int64)).tolist() == [second]


cells = st.one_of(
    st.floats(0, 100).map(repr),
    st.integers(-5, 105).map(str),
    st.sampled_from(["", "Bad", "on", "1e2", " 7", "x_1", "²"]),
)


@given(st.lists(st.tuples(instants, cells, cells), min_size=1, max_size=12), st.sampled_from(["", ","]))
@settings(deadline=None)
def test_lines_split_quickly_and_lines_read_with_care_say_the_same(rows, end):
    wanted = Wanted("b2_east", ("time",), {"o2": (Mapped("o2", "o2"),), "fault": (Mapped("fault", "fault"),)})
    found = []
    for quote in ("", '"'):
        text = "time,o2,fault\n" + "".join(
            ",".join(f"{quote}{cell}{quote}" for cell in row) + f"{end}\n" for row in rows
        )
        head = read_head(text.encode(), wanted, Format())
        data = text.partition("\n")[2].encode()
        problems = Problems()
        times, naive, columns = rows_of(data, head, frozenset({"fault"}), "a.csv", problems, 1)
        found.append((times.tolist(), naive.tolist(), [column.tobytes() for column in columns], problems.lines()))
    assert found[0] == found[1]
    assert len(found[0][0]) == len(rows)
