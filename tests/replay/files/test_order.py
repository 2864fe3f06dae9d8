"""Gaps, duplicates, rows and files out of order: whatever the mess, one stream that only goes forward."""

import pickle

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.replay.files.order import CHUNK_ROWS, gathered, in_time_order
from agent.replay.files.problems import Problems
from agent.replay.files.tidy import in_order
from detectors.stretch import Stretch

T0 = 1_769_832_000.0  # 2026-01-31T04:00:00Z
NAN = float("nan")


def naive(rows):
    """By time, of several values the last one that is not missing. Rows: (time, {column: value})."""
    found = {}
    for time, values in rows:
        row = found.setdefault(time, {})
        row.update({name: value for name, value in values.items() if value == value})
    return {time: found[time] for time in sorted(found)}


def as_rows(stretch):
    return {
        time: {name: column[i] for name, column in stretch.signals.items() if column[i] == column[i]}
        for i, time in enumerate(stretch.time_s.tolist())
    }


values = st.one_of(st.just(NAN), st.sampled_from([0.0, 1.0, 2.5]))
rows = st.lists(
    st.tuples(st.integers(0, 40).map(float), st.fixed_dictionaries({"o2": values, "cell_temp": values})), max_size=50
)


def columns_of(found):
    return (
        np.array([time for time, _ in found]),
        {name: np.array([row[name] for _, row in found]) for name in ("o2", "cell_temp")},
    )


@given(rows)
@settings(deadline=None)
def test_rows_in_any_order_with_any_duplicates_become_one_row_a_time(found):
    problems = Problems()
    stretch = in_order(*columns_of(found), "a.csv", problems)
    assert (np.diff(stretch.time_s) > 0).all()
    assert as_rows(stretch) == naive(found)
    repeated = problems.rows_by_kind.get("the same time more than once: joined", 0)
    assert repeated == len(found) - len(stretch)


class Given:
    """A source of pieces that are given."""

    def __init__(self, name, pieces, first_s=None):
        self.name = name
        self.parts = pieces
        self.first_s = min((p.time_s[0] for p in pieces if len(p)), default=0.0) if first_s is None else first_s
        self.last_s = float("inf")
        self.rows = sum(map(len, pieces))

    def pieces(self, problems):
        yield from self.parts


@given(st.lists(rows, max_size=6))
@settings(deadline=None)
def test_files_that_overlap_are_merged(files):
    problems = Problems()
    sources = [
        Given(f"{i}.csv", [in_order(*columns_of(found), "", Problems())]) for i, found in enumerate(files) if found
    ]
    out = list(in_time_order(sources, problems))
    times = np.concatenate([np.empty(0), *(stretch.time_s for stretch in out)])
    assert (np.diff(times) > 0).all()
    # Of two files that say different things the one that begins later counts, then the one named later.
    in_turn = [row for source in sorted(sources, key=lambda s: s.first_s) for row in as_rows(source.parts[0]).items()]
    wanted = naive(in_turn)
    assert {time: row for stretch in out for time, row in as_rows(stretch).items()} == {
        time: wanted[time] for time in times.tolist()
    }
    assert set(times.tolist()) == set(wanted)


@given(st.lists(st.integers(0, 200).map(float), unique=True, max_size=80), st.integers(1, 10))
@settings(deadline=None)
def test_pieces_that_overlap_their_neighbours_only_lose_nothing(times, size):
    ordered = sorted(times)
    pieces = []
    for start in range(0, len(ordered), size):  # each piece takes some of its follower's place
        part = sorted(ordered[start : start + size])
        pieces.append(Stretch(np.array(part), {"o2": np.array(part)}))
    out = list(in_time_order([Given("a", pieces)] if pieces else [], Problems()))
    assert [time for stretch in out for time in stretch.time_s.tolist()] == ordered


def test_a_file_that_goes_back_further_than_a_piece_loses_the_rows_that_come_too_late_and_they_are_counted():
    def piece(*times):
        return Stretch(np.array(times, np.float64), {"o2": np.array(times, np.float64)})

    problems = Problems()
    out = list(in_time_order([Given("a.csv", [piece(0, 1), piece(10, 11), piece(20, 21), piece(5, 22)])], problems))
    assert [time for stretch in out for time in stretch.time_s.tolist()] == [0, 1, 10, 11, 20, 21, 22]
    assert problems.lines() == [
        "a.csv: earlier than rows that were read before: too late to be put in order, dropped (1 row)"
    ]


def test_long_pieces_are_given_in_even_parts_without_a_copy():
    time = np.arange(3.0 * CHUNK_ROWS + 5)
    out = list(in_time_order([Given("a", [Stretch(time, {"o2": time})])], Problems()))
    assert sum(map(len, out)) == time.size
    assert max(map(len, out)) <= CHUNK_ROWS
    assert all(np.shares_memory(stretch.signals["o2"], time) for stretch in out)


def test_rows_of_a_clock_that_was_set_back_are_dropped_and_counted():
    time = np.concatenate([np.arange(0, 3600, 5.0), np.arange(1802, 7200, 5.0)])  # set back by half an hour
    problems = Problems()
    stretch = in_order(time, {"o2": np.ones(time.size)}, "a.csv", problems)
    assert (np.diff(stretch.time_s) >= 2).all()
    assert stretch.time_s.size == 720 + 721
    ((entry),) = problems
    assert entry.what.startswith("the clock was set back")
    assert (entry.rows, entry.first_row) == (359, 721)


@pytest.mark.parametrize("late", [(600, 900), (100, 110)])
def test_rows_that_come_late_and_fill_a_gap_are_kept(late):
    time = np.arange(0.0, 3600, 5)
    gap = (time >= late[0]) & (time < late[1])
    problems = Problems()
    shuffled = np.concatenate([time[~gap], time[gap]])
    stretch = in_order(shuffled, {"o2": shuffled}, "a.csv", problems)
    assert stretch.time_s.tolist() == time.tolist()
    assert not problems


def test_two_exports_of_different_columns_one_below_the_other_are_joined_even_at_other_times():
    time = np.concatenate([np.arange(0, 3600, 5.0), np.arange(2, 3600, 7.0)])
    o2 = np.where(np.arange(time.size) < 720, 4.0, NAN)
    problems = Problems()
    stretch = in_order(time, {"o2": o2, "load": np.where(np.isnan(o2), 80.0, NAN)}, "a.csv", problems)
    assert stretch.time_s.tolist() == sorted(set(time.tolist()))
    assert problems.rows_by_kind.keys() <= {"the same time more than once: joined"}


def test_newest_first_is_no_clock_set_back():
    time = np.arange(0.0, 3600, 5)[::-1]
    problems = Problems()
    assert in_order(time, {"o2": time}, "a.csv", problems).time_s.tolist() == time[::-1].tolist()
    assert not problems


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_big_csv_is_read_in_blocks_either_way_round(site, monkeypatch, newest_first):
    monkeypatch.setattr("agent.replay.files.csv_file._BLOCK", 5000)
    monkeypatch.setattr("agent.replay.files.csv_file._ROWS", 700)
    lines = [f"{T0 + i:.0f},{i % 83}\n" for i in range(10_000)]
    site.write("time,o2\n" + "".join(lines[::-1] if newest_first else lines))
    times, columns, problems = site.read()
    assert times.tolist() == [T0 + i for i in range(10_000)]
    assert columns["o2"].tolist() == [i % 83 for i in range(10_000)]
    assert not problems
    assert site.open().span("b2_east") == (T0, T0 + 9999)
    assert 8_000 < site.open().rows("b2_east") < 12_000


def test_csv_and_parquet_of_the_same_probe_are_one_stream_with_the_same_columns_throughout(site):
    site.write(f"time,o2\n{T0:.0f},1\n{T0 + 10:.0f},3\n", "probe=b2_east/a.csv")
    times = pa.array([int(T0 + 5) * 1000, int(T0 + 10) * 1000], pa.timestamp("ms", "UTC"))
    pq.write_table(pa.table({"time": times, "cell_temp": [700.0, 701.0]}), site.folder / "probe=b2_east/b.parquet")
    times, columns, problems = site.read()
    assert (times - T0).tolist() == [0, 5, 10]
    np.testing.assert_array_equal(columns["o2"], [1, NAN, 3])
    np.testing.assert_array_equal(columns["cell_temp"], [NAN, 700, 701])
    assert problems.lines() == ["probe=b2_east/b.parquet: the same time more than once: joined (1 row)"]


def test_a_folder_crosses_to_another_process_and_problems_come_back(site):
    site.write(f"time,o2\n{T0:.0f},1\n{T0:.0f},2\n")
    history = pickle.loads(pickle.dumps(site.open()))
    problems = Problems()
    assert [stretch.signals["o2"].tolist() for stretch in history.stretches("b2_east", problems)] == [[2.0]]
    everything = Problems()
    everything.merge(pickle.loads(pickle.dumps(problems)))
    everything.merge(problems)
    assert everything.rows_by_kind == {
        "the same time more than once: joined": 2,
        "different values at the same time: the last one counts": 2,
    }
    assert everything.as_json()[0]["first_row"] == 2


def test_thousands_of_problems_stay_few():
    problems = Problems()
    for i in range(5000):
        problems.add(f"{i}.csv", "not used: it is empty")
        problems.add(f"{i}.csv", "row dropped", rows=2, first_row=i)
    assert len(problems) < 2100
    assert problems.rows_by_kind["row dropped"] == 10_000
    assert problems.rows_by_kind["not used: it is empty"] == 5000
    assert len(problems.lines()) == 41


def test_small_chunks_are_put_together_and_have_the_same_columns():
    size = CHUNK_ROWS // 5
    chunks = [
        Stretch(np.arange(size) + start * size, {"o2" if start % 2 else "load": np.full(size, float(start))})
        for start in range(7)
    ]
    out = list(gathered(chunks, ["o2", "load"]))
    assert [len(stretch) for stretch in out] == [3 * size, 3 * size, size]
    assert all(list(stretch.signals) == ["o2", "load"] for stretch in out)
    assert np.concatenate([stretch.time_s for stretch in out]).tolist() == list(range(7 * size))
    np.testing.assert_array_equal(out[0].signals["o2"][::size], [NAN, 1.0, NAN])
