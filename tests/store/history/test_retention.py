"""What goes, and why: the oldest day first."""

import pytest

from agent.store.retention import Day, days_kept, next_to_go, remove


def kept(tmp_path, *dates, probe="east", size=10):
    for date in dates:
        path = tmp_path / f"probe={probe}" / f"date={date}.csv.gz"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x" * size)


def why(days, *, oldest="2026-01-01", most=1000, held=0, free=1000, wanted=100):
    return next_to_go(days, oldest=oldest, most_bytes=most, held_bytes=held, free=free, wanted_free=wanted)


def test_days_are_dates_over_all_probes_and_only_files_of_ours(tmp_path):
    kept(tmp_path, "2026-01-02", "2026-01-01")
    kept(tmp_path, "2026-01-02", probe="gone", size=5)
    (tmp_path / "probe=east" / "date=2026-01-01.parquet").write_bytes(b"a person's")
    (tmp_path / "probe=east" / "date=2026-01-01.csv.gz.damaged").write_bytes(b"aside")
    (tmp_path / "notes.txt").write_text("")
    days = days_kept(tmp_path)
    assert [(day.date, day.bytes, len(day.files)) for day in days] == [("2026-01-01", 10, 1), ("2026-01-02", 15, 2)]
    remove(days[0])
    assert [day.date for day in days_kept(tmp_path)] == ["2026-01-02"]
    assert (tmp_path / "probe=east" / "date=2026-01-01.parquet").exists()


def test_without_a_folder_there_are_no_days(tmp_path):
    assert days_kept(tmp_path / "none") == []
    assert why([]) is None


DAYS = [Day("2026-01-01", (), 400), Day("2026-01-02", (), 400)]


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ({}, None),
        ({"oldest": "2026-01-02"}, "age"),
        ({"most": 799}, "size"),
        ({"most": 800}, None),
        ({"most": 1000, "held": 201}, "size"),  # the open day counts, and never goes itself
        ({"free": 99}, "room"),
        ({"free": 100}, None),
    ],
)
def test_the_oldest_goes_by_age_by_size_or_for_room(case, expected):
    assert why(DAYS, **case) == expected
