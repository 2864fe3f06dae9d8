"""The recorder, on a clock under the test's hand: kills, midnights, clocks, late samples, full and broken disks."""

import random
import shutil
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.store.day_files import read_day
from agent.store.sample_writer import COMMIT_S, FLOOR_BYTES
from agent.store.samples import NAME
from tests import asked
from tests.store.history.rig import DAY_S, Box, as_rows, on_disk
from tests.store.history.samples import COLUMNS, MIDNIGHT_S, made

DAY = "date=2026-09-21.csv.gz"  # the day that ends at MIDNIGHT_S


def expected(box):
    return {probe: as_rows(rows, box.columns[probe]) for probe, rows in box.fed.items()}


def lost(box, at_s):
    """Fed and not on the disk, all of it no older than a minute at `at_s`; nothing there that was not fed."""
    there, fed = box.on_disk(), expected(box)
    out = 0
    for probe, rows in fed.items():
        assert there.get(probe, {}).items() <= rows.items()
        for time_s in rows.keys() - there.get(probe, {}).keys():
            assert time_s > at_s - 60.0
            out += 1
    return out


def test_samples_become_day_files_as_they_were_fed_and_then_leave_the_database(tmp_path):
    box = Box(tmp_path)
    box.run(1200.0)
    box.work()
    east = read_day(tmp_path / "history" / "probe=east" / DAY)
    assert east.columns == COLUMNS["east"]
    assert len(east.lines) == 119  # from 23:50:05 to 23:59:55
    assert not (tmp_path / "history" / "probe=east" / "date=2026-09-22.csv.gz").exists()
    assert box.recorder.database.written()
    box.run(3700.0)
    box.work()
    assert {block.day for block in box.recorder.database.blocks()} == {int(MIDNIGHT_S // DAY_S)}
    box.recorder.flush()
    assert box.on_disk() == expected(box)
    assert len((tmp_path / "hourly/probe=east/year=2026.csv").read_text().splitlines()) == 2
    assert box.log.all.count("history_day_closed") == 1


def test_few_commits_and_no_sample_a_minute_old_is_only_in_memory(tmp_path):
    box = Box(tmp_path, MIDNIGHT_S - 40_000.0)
    for _ in range(40):
        box.run(15.0)
        assert lost(box, box.clock.utc()) <= 2 * COMMIT_S / 5.0 + 2
    assert len(box.recorder.database.blocks()) <= 600 / COMMIT_S + 1


@settings(max_examples=asked.KILLS or 6, deadline=None)
@given(st.integers(0, 2**32))
def test_killed_at_any_instants_it_loses_less_than_a_minute_and_doubles_nothing(tmp_path_factory, seed):
    draw = random.Random(seed)
    box = Box(tmp_path_factory.mktemp("kill"), MIDNIGHT_S - draw.uniform(0.0, 400.0))
    gone = 0
    for _ in range(draw.randint(2, 5)):
        box.run(draw.uniform(0.0, 400.0))
        for _ in range(draw.choice([0, 1, 3, 10, 40])):
            box.recorder.turn()  # somewhere in the middle of closing
        at_s = box.clock.utc()
        box.kill()
        gone = lost(box, at_s)
        there = box.on_disk()
        box.fed = {p: [row for row in rows if row[0] in there.get(p, {})] for p, rows in box.fed.items()}
        box.pass_s(draw.choice([0.0, 3.0, 90_000.0]))
    box.run(400.0)
    box.work()
    box.recorder.close()
    assert gone <= 2 * 12
    assert box.on_disk() == expected(box)


def test_a_crash_at_each_step_of_closing_leaves_each_sample_once(tmp_path):
    box = Box(tmp_path / "box")
    box.run(880.0, turns=False)
    box.recorder.flush()
    box.pass_s(60.0)
    fed = expected(box)
    steps = 0
    while box.recorder.turn() < 1.0:
        image = tmp_path / f"image{steps}"
        shutil.copytree(tmp_path / "box", image)
        assert on_disk(image) == fed
        again = Box(image, box.clock.utc())
        again.work()
        assert on_disk(image) == fed
        assert len((image / "hourly/probe=west/year=2026.csv").read_text().splitlines()) == 2
        assert not list(image.rglob("*.part"))
        again.recorder.close()
        shutil.rmtree(image)
        steps += 1
    assert steps > 8
    assert on_disk(tmp_path / "box") == fed


def test_a_day_that_was_open_when_the_power_failed_is_closed_in_the_next_life(tmp_path):
    box = Box(tmp_path)
    box.run(300.0)
    box.recorder.flush()
    box.kill()
    box.pass_s(3 * DAY_S)
    box.work()
    assert (tmp_path / "history" / "probe=west" / DAY).exists()
    box.run(60.0)
    box.recorder.flush()
    assert box.on_disk() == expected(box)


def test_samples_that_come_for_a_closed_day_join_its_file_in_order(tmp_path):
    box = Box(tmp_path)
    box.run(1000.0)
    box.work()
    path = tmp_path / "history" / "probe=west" / DAY
    before = read_day(path).lines
    box.recorder._last_s["west"] = box.recorder._writer.floor_s = -1.0  # as after a life under a clock that was ahead
    box.take("west", [MIDNIGHT_S - 302.5, 3.5])
    box.recorder.flush()
    assert box.on_disk()["west"][MIDNIGHT_S - 302.5] == (("o2", 3.5),)  # also before it is in the file
    box.pass_s(61.0)
    box.work()
    after = read_day(path).lines
    assert len(after) == len(before) + 1
    assert sorted(after) == after
    assert box.counters.at("history_late", "west") == 1
    assert box.on_disk() == expected(box)


def test_a_day_file_that_is_damaged_is_kept_aside(tmp_path):
    box = Box(tmp_path)
    path = tmp_path / "history" / "probe=west" / DAY
    path.parent.mkdir(parents=True)
    path.write_bytes(b"\x1f\x8b rubbish")
    box.run(1000.0)
    box.work()
    assert len(read_day(path).lines) == 119
    assert path.with_name(f"{DAY}.damaged").read_bytes() == b"\x1f\x8b rubbish"
    assert box.counters.total("history_file_damaged") == 1


def test_the_map_may_change_within_a_day(tmp_path):
    box = Box(tmp_path, MIDNIGHT_S - 36_000.0)
    box.run(100.0)
    box.recorder.close()
    early = {probe: as_rows(rows, box.columns[probe]) for probe, rows in box.fed.items()}
    box.columns, box.fed = {"west": ("load", "o2")}, {}
    box.begin()
    box.run(100.0)
    box.pass_s(40_000.0)
    box.recorder.flush()
    box.work()
    part = read_day(tmp_path / "history" / "probe=west" / DAY)
    assert part.columns == ("o2", "load")
    assert {line.count(",") for line in part.lines} == {2}
    late = as_rows(box.fed["west"], ("load", "o2"))
    there = {at_s: dict(row) for at_s, row in box.on_disk()["west"].items()}
    assert there == {at_s: dict(row) for at_s, row in (early["west"] | late).items()}


def test_a_sample_that_is_not_later_is_not_kept_twice(tmp_path):
    box = Box(tmp_path)
    box.run(20.0)
    last = box.fed["west"][-1]
    box.recorder.take("west", list(last))
    box.recorder.take("west", [last[0] - 1.0, 9.0])
    box.recorder.flush()
    box.kill()
    box.recorder.take("west", list(last))  # the clock went back between two lives
    box.recorder.flush()
    assert box.on_disk() == expected(box)
    assert box.counters.at("history_out_of_order", "west") == 3


def test_a_clock_that_was_years_ahead_holds_up_nothing(tmp_path):
    box = Box(tmp_path)
    box.run(60.0)
    box.pass_s(3650 * DAY_S)
    box.run(60.0)
    box.recorder.flush()
    box.kill()
    box.clock._utc_s = MIDNIGHT_S + 3600.0
    box.run(600.0)
    box.work()
    box.recorder.flush()
    assert box.on_disk() == expected(box)
    assert len(list((tmp_path / "history" / "probe=west").glob("date=203*"))) == 1  # it will not wait till then


def test_the_turn_of_the_year_begins_a_file_of_hours(tmp_path):
    box = Box(tmp_path, 1_798_761_600.0 - 300.0)  # 2027-01-01T00:00:00Z
    box.run(900.0)
    box.pass_s(DAY_S)
    box.work()
    years = sorted(path.name for path in (tmp_path / "hourly/probe=east").iterdir())
    assert years == ["year=2026.csv", "year=2027.csv"]
    assert sorted(p.name for p in (tmp_path / "history/probe=east").iterdir()) == [
        "date=2026-12-31.csv.gz",
        "date=2027-01-01.csv.gz",
    ]


# What stays


def history(box, *dates, size=100):
    for date in dates:
        path = box.folder / "history" / "probe=west" / f"date={date}.csv.gz"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x" * size)


def dates(box):
    return sorted(path.name[5:15] for path in (box.folder / "history").rglob("date=*"))


def test_by_age_one_date_an_hour_goes_and_each_is_told_once(tmp_path):
    box = Box(tmp_path, MIDNIGHT_S + 43_200.0, raw_days=2)
    history(box, "2026-09-17", "2026-09-18", "2026-09-19", "2026-09-20", "2026-09-21")
    box.work()
    assert dates(box)[0] == "2026-09-18"
    for _ in range(6):
        box.pass_s(3601.0)
        box.work()
    assert dates(box) == ["2026-09-20", "2026-09-21"]
    told = box.log.lines("history_removed")
    assert [(line["date"], line["why"]) for line in told] == [(f"2026-09-{d}", "age") for d in (17, 18, 19)]


def test_by_size_the_oldest_go_and_never_the_open_day(tmp_path):
    box = Box(tmp_path, MIDNIGHT_S + 43_200.0, raw_bytes=15_000)
    history(box, "2026-09-18", "2026-09-19", "2026-09-20", size=15_000)
    box.run(600.0)
    box.pass_s(61.0)
    box.work()
    assert dates(box) == []  # the open day alone takes what is allowed, and stays
    box.recorder.flush()
    assert box.on_disk() == expected(box)


def test_without_room_the_oldest_go_then_recording_waits_and_resumes(tmp_path):
    free = [10 * FLOOR_BYTES]
    box = Box(tmp_path, MIDNIGHT_S + 43_200.0, room=lambda _: free[0])
    history(box, "2026-09-18", "2026-09-19")
    box.run(60.0)
    free[0] = FLOOR_BYTES + 1
    box.run(60.0)
    box.work()
    assert dates(box) == []
    assert {line["why"] for line in box.log.lines("history_removed")} == {"room"}
    assert box.recorder.disk == "ok"
    free[0] = FLOOR_BYTES - 1
    box.run(300.0)
    before = len(box.recorder.database.blocks())
    box.run(300.0)
    assert box.recorder.disk == "low"
    assert len(box.recorder.database.blocks()) == before
    free[0] = FLOOR_BYTES + 1  # not yet
    box.run(60.0)
    assert box.recorder.disk == "low"
    free[0] = 2 * FLOOR_BYTES
    box.run(60.0)
    box.recorder.flush()
    assert box.recorder.disk == "ok"
    assert box.on_disk() == expected(box)  # what came meanwhile was kept in memory
    assert [name for name in box.log.all if name in ("history_paused", "history_resumed")] == [
        "history_paused",
        "history_resumed",
    ]


# Disks


class Small:
    """Opens a database that may not grow beyond some pages, until `free`."""

    def __init__(self, pages):
        self.pages = pages

    def __call__(self, path):
        db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        self.db = db
        db.execute(f"PRAGMA max_page_count = {self.pages}")
        return db

    def free(self):
        self.pages = 10_000_000
        self.db.execute(f"PRAGMA max_page_count = {self.pages}")


def test_with_the_disk_full_samples_wait_in_memory_and_are_written_when_there_is_room(tmp_path):
    disk = Small(12)
    box = Box(tmp_path, MIDNIGHT_S - 40_000.0, open_file=disk)
    box.run(3000.0)
    assert box.recorder.disk == "full"
    assert [line["kind"] for line in box.log.lines("history_cannot_write")] == ["full"]
    assert box.counters.at("history_write_failed", "full") > 3
    disk.free()
    box.run(60.0)
    box.recorder.flush()
    assert box.recorder.disk == "ok"
    assert box.on_disk() == expected(box)
    assert len(box.log.lines("history_writes_again")) == 1


def test_what_waits_in_memory_is_bounded_and_what_is_given_up_is_counted(tmp_path):
    box = Box(tmp_path, MIDNIGHT_S - 40_000.0, open_file=Small(8), memory_bytes=2000)
    box.run(4000.0)
    gone = box.counters.total("history_rows_lost")
    assert gone > 100
    assert 1 <= len(box.log.lines("history_rows_lost")) <= 4
    box.recorder._keeping.open_file.free()
    box.recorder.flush()
    assert sum(map(len, box.on_disk().values())) + gone == sum(map(len, box.fed.values()))


@pytest.mark.parametrize("damage", ["header", "everything", "middle"])
def test_a_damaged_database_is_renamed_and_what_is_whole_in_it_goes_on(tmp_path, damage):
    box = Box(tmp_path, MIDNIGHT_S - 40_000.0)
    box.run(3000.0)
    box.recorder.close()
    path = tmp_path / NAME
    data = bytearray(path.read_bytes())
    at = {
        "header": slice(0, 100),
        "everything": slice(0, len(data)),
        "middle": slice(len(data) // 2, len(data) // 2 + 2048),
    }
    for i in range(*at[damage].indices(len(data))):
        data[i] ^= 0xA5
    path.write_bytes(data)
    early = expected(box)
    box.fed = {}
    box.begin()
    box.run(200.0)
    box.pass_s(61.0)
    box.work()
    box.recorder.flush()
    assert box.recorder.disk == "ok"
    there = box.on_disk()
    for probe, rows in expected(box).items():
        assert rows.items() <= there[probe].items()
        assert (there[probe].items() - rows.items()) <= early[probe].items()
    if damage == "middle":
        assert len(there["west"]) > 0.8 * (len(early["west"]) + len(box.fed["west"]))
    assert len(box.log.lines("history_damaged")) == 1
    assert len(list(tmp_path.glob(f"{NAME}.damaged-*"))) >= 1


def test_a_history_folder_that_cannot_be_written_keeps_the_day_in_the_database(tmp_path):
    (tmp_path / "history").write_text("a file in the way")
    box = Box(tmp_path)
    box.run(1000.0)
    box.pass_s(61.0)
    for _ in range(40):
        box.recorder.turn()
    assert box.recorder.disk == "full"
    assert len(box.log.lines("history_cannot_close")) == 1
    (tmp_path / "history").unlink()
    box.pass_s(700.0)
    box.work()
    box.recorder.flush()
    assert box.recorder.disk == "ok"
    assert box.on_disk() == expected(box)


def test_a_database_of_a_newer_version_is_left_alone(tmp_path):
    with sqlite3.connect(tmp_path / NAME) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    box = Box(tmp_path)
    box.run(200.0)
    assert [line["kind"] for line in box.log.lines("history_cannot_write")] == ["newer"]
    with sqlite3.connect(tmp_path / NAME) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (99,)
    db.close()


# Episodes


def test_an_episode_is_there_once_however_often_it_is_told(tmp_path):
    box = Box(tmp_path)
    rows = [{"kind": "air_check", "from": f"2026-09-21T23:5{i}:00.000Z", "why_not": "é"} for i in range(3)]
    for row in rows:
        box.recorder.tell("east", row)
    box.recorder.flush()
    path = tmp_path / "episodes" / "probe=east.jsonl"
    whole = path.read_bytes()
    assert whole.count(b"\n") == 3
    for cut in (0, 1, 20, len(whole) - 5):
        path.write_bytes(whole[: len(whole) - cut])
        box.kill()
        for row in rows:
            box.recorder.tell("east", row)
        box.recorder.flush()
        assert path.read_bytes() == whole


def test_episodes_wait_for_a_disk_that_refuses_them(tmp_path):
    (tmp_path / "episodes").write_text("in the way")
    box = Box(tmp_path)
    box.recorder.tell("east", {"kind": "outage", "from": "x"})
    box.recorder.flush()
    box.recorder.flush()
    assert len(box.log.lines("episodes_cannot_write")) == 1
    (tmp_path / "episodes").unlink()
    box.recorder.flush()
    assert (tmp_path / "episodes" / "probe=east.jsonl").read_text() == '{"kind": "outage", "from": "x"}\n'


def test_made_rows_tell_their_time():
    assert made(10.0, 3)[:2] == [10.0, 10.0]
