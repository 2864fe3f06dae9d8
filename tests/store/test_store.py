"""The store: what was accepted is there, after any end of the process and whatever the disk says."""

import contextlib
import math
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog
from structlog.testing import capture_logs
from structlog.typing import FilteringBoundLogger

from agent.counters import Counters
from agent.store.database import Store, open_store
from agent.store.errors import DataDirInUse, StoreError, Trouble
from agent.store.messages import OutgoingMessage
from agent.store.opening import connect
from agent.store.reader import load_rows
from agent.store.schema import MIGRATIONS
from tests.fakes import FakeClock
from tests.privileges import WRITES_ANYWHERE

Opener = Callable[..., Store]


@pytest.fixture
def counters() -> Counters:
    return Counters()


@pytest.fixture
def open_(tmp_path: Path, counters: Counters) -> Iterator[Opener]:
    opened: list[Store] = []
    log: FilteringBoundLogger = structlog.get_logger()

    def opener(**options: Any) -> Store:
        options = {"clock": FakeClock(), **options}
        path = options.pop("path", tmp_path / "data" / "flueward.db")
        store = open_store(path, log=log, counters=counters, **options)
        opened.append(store)
        return store

    yield opener
    for store in opened:
        store.close()


def event(key: str, seq: int) -> OutgoingMessage:
    return OutgoingMessage(f"t/{key}/event", {"seq": seq}, False, "event", key, 1.0)


def state(topic: str, seq: int | None, key: str = "k") -> OutgoingMessage:
    return OutgoingMessage(topic, None if seq is None else {"seq": seq}, True, "state", key, 1.0)


def waiting(store: Store) -> list[tuple[str, Any]]:
    return [(m.message.topic, m.message.payload and m.message.payload["seq"]) for m in store.pending(1000)]


class FailingConnection:
    """A connection whose writes fail while told to. Everything else is real."""

    def __init__(self, real: sqlite3.Connection, disk: "Disk") -> None:
        self._real, self._disk = real, disk

    def execute(self, sql: str, *more: Any) -> Any:
        if self._disk.error is not None and sql.startswith(self._disk.at):
            raise self._disk.error
        return self._real.execute(sql, *more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)


class Disk:
    def __init__(self) -> None:
        self.error: sqlite3.Error | None = None
        self.at = "COMMIT"

    def fail(self, code: int, at: str = "COMMIT") -> None:
        self.error, self.at = sqlite3.OperationalError("disk says no"), at
        self.error.sqlite_errorcode = code

    def mend(self) -> None:
        self.error = None

    def connect(self, path: Path) -> Any:
        return FailingConnection(connect(path), self)


# Rows and messages


def test_rows_and_messages_come_back_after_a_restart(open_):
    store = open_()
    assert store.commit(messages=[event("a", 1)], rows={("alert", "x"): {"n": 1}, ("detector", "x"): {"n": 2}})
    assert store.commit(rows={("alert", "y"): {"n": 3}, ("alert", "x"): None})
    store.close()
    again = open_()
    assert again.load("alert") == {"y": {"n": 3}}
    assert again.load("detector") == {"x": {"n": 2}}
    assert waiting(again) == [("t/a/event", 1)]


def test_a_confirmed_message_is_gone_and_the_others_wait_in_order(open_):
    store = open_()
    store.commit(messages=[event("a", n) for n in range(5)])
    store.confirm([m.id for m in store.pending(2)])
    store.close()
    assert waiting(open_()) == [("t/a/event", 2), ("t/a/event", 3), ("t/a/event", 4)]


def test_pending_pages_through_a_long_outbox(open_):
    store = open_()
    store.commit(messages=[event("a", n) for n in range(25)])
    found: list[int] = []
    while page := store.pending(10, after=found[-1] if found else 0):
        found += [m.id for m in page]
    assert len(found) == 25
    assert found == sorted(set(found))


def test_a_newer_state_replaces_the_one_that_waits_but_an_event_never_does(open_):
    store = open_()
    for n in range(3):
        store.commit(messages=[event("a", n), state("t/x", n)])
    assert waiting(store) == [("t/a/event", 0), ("t/a/event", 1), ("t/a/event", 2), ("t/x", 2)]


def test_two_states_of_a_topic_in_one_commit_leave_the_newer(open_):
    store = open_()
    store.commit(messages=[state("t/x", 1), state("t/x", 2)])
    assert waiting(store) == [("t/x", 2)]


def test_what_topics_should_hold_is_kept_after_it_was_confirmed_and_emptied_ones_are_remembered_for_a_week(open_):
    clock = FakeClock()
    store = open_(clock=clock)
    day = 86_400.0
    t0 = clock.utc()
    store.commit(messages=[state("t/x", 1), OutgoingMessage("t/y", None, True, "state", "k", t0)])
    store.confirm([m.id for m in store.pending(10)])
    assert {t: m.payload for t, m in store.retained().items()} == {"t/x": {"seq": 1}, "t/y": None}
    clock.step_utc(8 * day)
    store.commit(messages=[state("t/x", 2)])
    assert {t: m.payload for t, m in store.retained().items()} == {"t/x": {"seq": 2}}


def test_a_refused_message_waits_no_longer_is_told_with_its_reason_and_can_be_brought_back(open_):
    store = open_()
    store.commit(messages=[event("a", 1), event("a", 2)])
    first = store.pending(1)[0]
    store.set_aside(first.id, "not authorised")
    store.close()
    again = open_()
    assert waiting(again) == [("t/a/event", 2)]
    assert again.counts() == (1, 1)
    assert [(a.topic, a.reason) for a in again.refused()] == [("t/a/event", "not authorised")]
    assert again.bring_back() == 1
    assert again.counts() == (2, 0)
    assert waiting(again) == [("t/a/event", 1), ("t/a/event", 2)]


def test_not_a_number_becomes_null_and_what_is_not_json_is_the_callers_fault(open_):
    store = open_()
    store.commit(rows={("k", "a"): {"x": math.nan, "y": [1.0, math.inf], "name": "B2 \udce9st"}})
    assert store.load("k")["a"] == {"x": None, "y": [1.0, None], "name": "B2 ?st"}
    with pytest.raises(TypeError):
        store.commit(messages=[OutgoingMessage("t", {"x": object()}, False, "event", "k", 1.0)])
    assert store.commit(messages=[event("a", 1)])  # and does no harm to the next
    assert waiting(store) == [("t/a/event", 1)]


# Bounds


def test_the_outbox_loses_nothing_up_to_its_limit(open_, counters):
    store = open_(limit=100)
    store.commit(messages=[event("a", n) for n in range(100)])
    assert store.counts() == (100, 0)
    assert counters.total("outbox_dropped") == 0


def test_beyond_its_limit_the_outbox_gives_up_superseded_transitions_first_counts_and_tells(open_, counters):
    store = open_(limit=100)
    store.commit(messages=[event("only", 0), event("b", 0), event("b", 1), *[event(f"k{n}", n) for n in range(97)]])
    with capture_logs() as logs:
        store.commit(messages=[event("c", 0), state("t/x", 1)])
    kept = waiting(store)
    assert ("t/b/event", 0) not in kept  # the alert's next transition carries it whole
    assert ("t/only/event", 0) in kept  # older, but nothing follows it
    assert ("t/x", 1) in kept  # states are bounded by their topics
    assert counters.total("outbox_dropped") == 1
    assert [entry["event"] for entry in logs] == ["outbox_full"]
    store.commit(messages=[event("d", 0)])
    assert ("t/only/event", 0) not in waiting(store)  # nothing superseded is left: the oldest goes


def test_refused_messages_are_bounded_too(open_, counters):
    store = open_(aside_limit=3)
    store.commit(messages=[event("a", n) for n in range(5)])
    for m in store.pending(5):
        store.set_aside(m.id, "no")
    assert store.counts() == (0, 3)
    assert counters.total("set_aside_dropped") == 2


# The disk


def test_with_the_disk_full_everything_accepted_is_served_from_memory_and_written_when_there_is_room(open_, counters):
    store = open_()
    store.commit(rows={("alert", "old"): {"n": 0}})
    pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
    store._connection.execute(f"PRAGMA max_page_count = {pages}")  # SQLITE_FULL from here on, as on a full disk
    text = "x" * 3000
    with capture_logs() as logs:
        durable = [store.commit(messages=[event("a", n)], rows={("big", str(n)): {"x": text}}) for n in range(30)]
    assert durable[-1] is False
    assert store.disk == "full"
    assert store.trouble is Trouble.FULL
    assert [entry["event"] for entry in logs] == ["store_cannot_write"]  # told once
    first_lost = durable.index(False)
    assert all(d is False for d in durable[first_lost:])
    assert [m.durable for m in store.pending(100)] == durable
    assert waiting(store) == [("t/a/event", n) for n in range(30)]
    assert len(store.load("big")) == 30
    # Some are confirmed meanwhile: on the disk and in memory.
    store.confirm([m.id for m in store.pending(100) if m.message.payload["seq"] in (0, 29)])
    assert waiting(store) == [("t/a/event", n) for n in range(1, 29)]
    assert store.counts() == (28, 0)
    store._connection.execute("PRAGMA max_page_count = 1000000")
    assert store.flush()
    assert store.disk == "ok"
    assert not store.unwritten
    store.close()
    again = open_()
    assert waiting(again) == [("t/a/event", n) for n in range(1, 29)]
    assert len(again.load("big")) == 30


@pytest.mark.parametrize(
    ("code", "trouble"),
    [
        (sqlite3.SQLITE_FULL, Trouble.FULL),
        (sqlite3.SQLITE_READONLY, Trouble.READ_ONLY),
        (sqlite3.SQLITE_BUSY, Trouble.LOCKED),
        (sqlite3.SQLITE_IOERR_FSYNC, Trouble.IO),
    ],
)
@pytest.mark.parametrize("at", ["BEGIN", "INSERT", "COMMIT"])
def test_a_write_that_fails_anywhere_loses_nothing_and_is_all_or_nothing(open_, tmp_path, code, trouble, at):
    disk = Disk()
    store = open_(open_file=disk.connect)
    store.commit(messages=[event("a", 1), state("t/x", 1)], rows={("alert", "x"): {"n": 1}})
    disk.fail(code, at)
    assert store.commit(messages=[event("a", 2), state("t/x", 2)], rows={("alert", "x"): {"n": 2}}) is False
    assert store.trouble is trouble
    assert store.load("alert") == {"x": {"n": 2}}
    assert waiting(store) == [("t/a/event", 1), ("t/a/event", 2), ("t/x", 2)]
    assert store.retained()["t/x"].payload == {"seq": 2}
    assert load_rows(tmp_path / "data" / "flueward.db", "alert") == {"x": {"n": 1}}  # nothing half-written
    first, second, third = store.pending(10)
    store.set_aside(first.id, "no")
    store.set_aside(third.id, "no")
    assert store.counts() == (1, 2)
    assert {a.id for a in store.refused()} == {first.id, third.id}
    disk.mend()
    assert store.commit(rows={("alert", "y"): {"n": 3}}) is True  # any write takes the rest along
    assert load_rows(tmp_path / "data" / "flueward.db", "alert") == {"x": {"n": 2}, "y": {"n": 3}}
    assert [m.id for m in store.pending(10)] == [second.id]
    assert store.counts() == (1, 2)


def test_memory_is_bounded_while_the_disk_takes_nothing(open_, counters):
    disk = Disk()
    store = open_(open_file=disk.connect, memory_limit=10)
    disk.fail(sqlite3.SQLITE_FULL)
    for n in range(30):
        store.commit(messages=[event(f"k{n % 12}", n), state("t/x", n)])
    kept = waiting(store)
    assert len(kept) == 10 + 1
    assert counters.total("outbox_dropped") == 20
    assert kept[-1] == ("t/x", 29)


def test_a_database_that_another_process_holds_delays_nothing_for_long(open_, tmp_path):
    store = open_(open_file=lambda path: _hasty(path))
    store.commit(rows={("alert", "x"): {"n": 1}})
    other = sqlite3.connect(tmp_path / "data" / "flueward.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert store.commit(messages=[event("a", 1)]) is False
    assert store.trouble is Trouble.LOCKED
    other.execute("ROLLBACK")
    other.close()
    assert store.flush() is True


def _hasty(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=0.01, isolation_level=None, check_same_thread=False)


def test_a_store_that_cannot_be_written_at_the_start_still_knows_what_it_held_and_writes_later(open_, counters):
    store = open_()
    store.commit(messages=[event("a", 1)], rows={("alert", "x"): {"n": 1}})
    store.close()
    disk = Disk()
    disk.fail(sqlite3.SQLITE_FULL, "PRAGMA journal_mode")
    store = open_(open_file=disk.connect)
    assert store.disk == "full"
    assert store.load("alert") == {"x": {"n": 1}}
    assert store.commit(messages=[event("a", 2)], rows={("alert", "x"): {"n": 2}}) is False
    assert waiting(store) == [("t/a/event", 1), ("t/a/event", 2)]
    store.confirm([store.pending(1)[0].id])
    disk.mend()
    assert store.flush() is True
    store.close()
    again = open_()
    assert again.load("alert") == {"x": {"n": 2}}
    assert waiting(again) == [("t/a/event", 2)]


# Damage


@pytest.mark.parametrize("damage", ["garbage", "page", "truncated"])
def test_a_damaged_file_is_renamed_named_and_a_new_one_begun(open_, tmp_path, counters, damage):
    path = tmp_path / "data" / "flueward.db"
    store = open_()
    for n in range(50):
        store.commit(messages=[event("a", n)], rows={("k", str(n)): {"x": "y" * 500}})
    store.close()
    data = bytearray(path.read_bytes())
    if damage == "garbage":
        data[:] = os.urandom(len(data))
    elif damage == "page":
        data[4096 : 4096 * 4] = b"\xff" * (4096 * 3)
    else:
        del data[len(data) // 2 :]
    path.write_bytes(bytes(data))
    Path(f"{path}-wal").write_bytes(b"left over")
    with capture_logs() as logs:
        again = open_()
    assert [entry["event"] for entry in logs] == ["store_damaged"]
    assert again.renamed is not None
    assert logs[0]["kept_as"] == str(again.renamed)
    assert again.renamed.read_bytes() == bytes(data)
    assert again.renamed.name == "flueward.db.damaged-20260921T141320Z"  # 1 790 000 000 s, the fake clock's start
    assert counters.total("store_damaged") == 1
    assert again.load("k") == {}
    assert again.commit(rows={("k", "1"): {"x": 1}})
    again.close()
    assert open_().load("k") == {"1": {"x": 1}}


def test_the_log_of_a_damaged_database_goes_with_it_and_is_not_replayed_into_the_new_one(open_, tmp_path):
    path = tmp_path / "data" / "flueward.db"
    store = open_()
    for n in range(50):
        store.commit(rows={("k", str(n)): {"x": "y" * 500}})
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.commit(rows={("k", "1"): {"x": "z" * 500}})  # one page, not the first: the log cannot heal the header
    crash(store)
    assert Path(f"{path}-wal").stat().st_size > 0
    data = bytearray(path.read_bytes())
    data[:] = b"\xff" * len(data)
    path.write_bytes(bytes(data))
    again = open_()
    assert again.renamed is not None
    assert again.load("k") == {}
    assert again.commit(rows={("k", "2"): {"x": 2}})
    again.close()
    assert open_().load("k") == {"2": {"x": 2}}


def test_damage_found_while_running_is_told_and_mended_without_a_restart(open_, tmp_path, counters):
    disk = Disk()
    store = open_(open_file=disk.connect)
    store.commit(rows={("k", "1"): {"x": 1}})
    disk.fail(sqlite3.SQLITE_CORRUPT)
    assert store.commit(rows={("k", "2"): {"x": 2}}, messages=[event("a", 1)]) is False
    disk.mend()
    # It was a passing fault: the file is sound, so it is kept and not renamed.
    assert store.flush() is True
    assert store.renamed is None
    assert store.load("k") == {"1": {"x": 1}, "2": {"x": 2}}


def test_real_damage_found_while_running_begins_a_new_file_and_keeps_what_was_just_accepted(open_, tmp_path, counters):
    path = tmp_path / "data" / "flueward.db"
    disk = Disk()
    store = open_(open_file=disk.connect)
    for n in range(50):
        store.commit(rows={("k", str(n)): {"x": "y" * 500}})
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 4096 * 3)
    disk.fail(sqlite3.SQLITE_CORRUPT)
    assert store.commit(rows={("k", "new"): {"x": 2}}, messages=[event("a", 1)]) is False
    disk.mend()
    assert store.flush() is True
    assert store.renamed is not None
    assert store.renamed.exists()
    assert store.load("k") == {"new": {"x": 2}}
    assert waiting(store) == [("t/a/event", 1)]
    assert load_rows(path, "k") == {"new": {"x": 2}}
    store.close()
    again = open_()
    assert again.load("k") == {"new": {"x": 2}}
    assert again.renamed is None


# Versions


def test_an_old_database_becomes_a_new_one_with_its_rows_and_a_record(open_, tmp_path):
    store = open_()
    store.commit(rows={("k", "1"): {"x": 1}})
    store.close()
    newer = (*MIGRATIONS, ("ALTER TABLE state ADD COLUMN note TEXT DEFAULT 'none'",))
    again = open_(migrations=newer)
    assert again.load("k") == {"1": {"x": 1}}
    assert again._connection.execute("SELECT note FROM state").fetchall() == [("none",)]
    assert [v for (v,) in again._connection.execute("SELECT version FROM migrations")] == list(range(1, len(newer) + 1))


def test_a_process_killed_in_the_middle_of_a_migration_leaves_the_old_version_whole(open_, tmp_path):
    store = open_()
    store.commit(rows={("k", "1"): {"x": 1}})
    store.close()
    path = tmp_path / "data" / "flueward.db"
    code = f"""
import os, signal, structlog
from pathlib import Path
from agent.clock import SystemClock
from agent.counters import Counters
from agent.store.database import open_store
from agent.store.schema import MIGRATIONS
die = lambda connection: os.kill(os.getpid(), signal.SIGKILL)
steps = ("ALTER TABLE state ADD COLUMN note TEXT", "DELETE FROM state", die)
open_store(Path({str(path)!r}), log=structlog.get_logger(), counters=Counters(), clock=SystemClock(),
           migrations=(*MIGRATIONS, steps))
"""
    done = subprocess.run([sys.executable, "-c", code], timeout=30, check=False, cwd=Path(__file__).parents[2])
    assert done.returncode == -signal.SIGKILL
    again = open_()
    assert again.load("k") == {"1": {"x": 1}}
    assert again._connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)


def test_a_migration_and_its_record_are_one(open_, tmp_path):
    store = open_()
    store.commit(rows={("k", "1"): {"x": 1}})
    store.close()
    disk = Disk()
    disk.fail(sqlite3.SQLITE_IOERR, at="PRAGMA user_version = 2")
    newer = (*MIGRATIONS, ("ALTER TABLE state ADD COLUMN note TEXT",))
    store = open_(migrations=newer, open_file=disk.connect)  # on a copy in memory, the file stays as it was
    assert store.load("k") == {"1": {"x": 1}}
    with contextlib.closing(sqlite3.connect(tmp_path / "data" / "flueward.db")) as beside:
        assert beside.execute("PRAGMA user_version").fetchone() == (1,)
        assert beside.execute("SELECT version FROM migrations").fetchall() == [(1,)]
        assert "note" not in [row[1] for row in beside.execute("PRAGMA table_info(state)")]
    disk.mend()
    assert store.flush() is True
    assert store._connection.execute("PRAGMA user_version").fetchone() == (2,)


def test_a_database_of_a_newer_version_is_refused_with_a_message_and_left_alone(open_, tmp_path):
    store = open_(migrations=(*MIGRATIONS, ("CREATE TABLE more (x)",)))
    store.commit(rows={("k", "1"): {"x": 1}})
    store.close()
    path = tmp_path / "data" / "flueward.db"
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"newer flueward \(schema 2, this one knows up to 1\): install") as caught:
        open_()
    assert caught.value.kind is Trouble.NEWER
    assert path.read_bytes() == before
    assert open_(migrations=(*MIGRATIONS, ("CREATE TABLE more (x)",))).load("k")  # and the lock was let go


# One agent a folder


def test_a_second_agent_on_the_folder_is_refused_with_the_first_ones_pid(open_):
    open_()
    with pytest.raises(DataDirInUse, match=f"process {os.getpid()} already runs an agent") as caught:
        open_()
    assert caught.value.pid == os.getpid()


def test_the_lock_of_a_killed_agent_holds_nobody_up(open_, tmp_path):
    path = tmp_path / "data" / "flueward.db"
    code = f"""
import time, structlog
from pathlib import Path
from agent.clock import SystemClock
from agent.counters import Counters
from agent.store.database import open_store
store = open_store(Path({str(path)!r}), log=structlog.get_logger(), counters=Counters(), clock=SystemClock())
store.commit(rows={{("k", "1"): {{"x": 1}}}})
print("ready", flush=True)
time.sleep(60)
"""
    holder = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    )
    assert holder.stdout is not None
    with holder:
        assert holder.stdout.readline() == "ready\n"
        with pytest.raises(DataDirInUse) as caught:
            open_()
        assert caught.value.pid == holder.pid
        assert load_rows(path, "k") == {"1": {"x": 1}}  # a view reads beside a running agent
        holder.kill()
    assert open_().load("k") == {"1": {"x": 1}}


@pytest.mark.skipif(WRITES_ANYWHERE, reason="this process may write anywhere; CI runs it again without that")
def test_a_folder_of_somebody_else_is_named_with_what_to_do(open_, tmp_path):
    folder = tmp_path / "theirs"
    folder.mkdir(mode=0o555)
    with pytest.raises(StoreError, match="chown") as caught:
        open_(path=folder / "flueward.db")
    assert caught.value.kind is Trouble.PERMISSION


def test_a_data_folder_that_cannot_be_made_is_named(open_, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="file/data cannot be made"):
        open_(path=tmp_path / "file" / "data" / "flueward.db")


# Reading beside


def test_reading_beside_takes_no_lock_and_says_what_is_wrong(tmp_path):
    assert load_rows(tmp_path / "none.db", "k") == {}
    bad = tmp_path / "bad.db"
    bad.write_bytes(os.urandom(8192))
    with pytest.raises(StoreError, match=r"bad\.db cannot be read"):
        load_rows(bad, "k")


def test_a_topic_that_cannot_be_published_on_is_refused_where_it_is_made():
    for topic in ("", "a/+/b", "a/#", "x" * 70_000):
        with pytest.raises(ValueError, match="cannot be published on"):
            OutgoingMessage(topic, {}, False, "event", "k", 1.0)
    with pytest.raises(ValueError, match="only a retained topic can be emptied"):
        OutgoingMessage("a", None, False, "event", "k", 1.0)
    with pytest.raises(ValueError, match="a state message is retained"):
        OutgoingMessage("a", {}, False, "state", "k", 1.0)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 300 kB."""
    if os.getuid() != 0 or shutil.which("mount") is None:
        pytest.skip("mounting a small file system needs root and mount")
    folder = tmp_path / "small"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "none", str(folder)], check=False).returncode:
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def crash(store: Store, *, but: str = "") -> None:
    """As a killed process leaves its files: the log and its index beside the database, nothing tidied."""
    files = {name: Path(name).read_bytes() for name in (f"{store.path}{end}" for end in ("", "-wal", "-shm"))}
    store._connection.close()
    store._lock.release()
    for name, data in files.items():
        if not but or not name.endswith(but):
            Path(name).write_bytes(data)


def test_on_a_disk_that_is_really_full_nothing_accepted_is_lost_even_over_a_restart_on_it(open_, small_disk):
    path = small_disk / "flueward.db"
    store = open_(path=path)
    store.commit(rows={("k", "first"): {"x": 0}})
    with (small_disk / "filler").open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(b"x" * 4096)
    durable = [store.commit(messages=[event("a", n)], rows={("k", str(n)): {"x": "y" * 900}}) for n in range(100)]
    assert durable[-1] is False
    assert store.disk == "full"
    assert waiting(store) == [("t/a/event", n) for n in range(100)]
    store._connection.close()
    store._lock.release()
    store = open_(path=path)  # starts on the full disk, knowing what was durable
    assert len(store.load("k")) >= 1 + sum(durable)
    assert store.commit(messages=[event("b", 1)], rows={("k", "after"): {"x": "y" * 9000}}) is False
    assert ("t/b/event", 1) in waiting(store)
    (small_disk / "filler").unlink()
    assert store.flush() is True
    assert load_rows(path, "k")["after"] == {"x": "y" * 9000}
    store.close()


@pytest.mark.parametrize("ended", ["in order", "killed", "killed, restored without -shm"])
def test_on_a_disk_that_went_read_only_the_store_starts_with_what_it_held(open_, small_disk, ended):
    path = small_disk / "flueward.db"
    store = open_(path=path)
    store.commit(messages=[event("a", 1)], rows={("k", "1"): {"x": 1}})
    if ended != "in order":
        crash(store, but="-shm" if "-shm" in ended else "")
    else:
        store.close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    store = open_(path=path)
    assert store.disk == "full"  # of the three words of `status` the one that says: it takes nothing
    assert store.load("k") == {"1": {"x": 1}}
    assert store.commit(messages=[event("a", 2)], rows={("k", "2"): {"x": 2}}) is False
    assert waiting(store) == [("t/a/event", 1), ("t/a/event", 2)]
    with pytest.raises(DataDirInUse):
        open_(path=path)
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    assert store.flush() is True
    assert load_rows(path, "k") == {"1": {"x": 1}, "2": {"x": 2}}
    store.close()


def test_a_transition_is_synced_and_a_confirmation_is_not(open_):
    store = open_()
    synchronous = "PRAGMA synchronous"  # 2 is FULL, 1 is NORMAL: https://www.sqlite.org/pragma.html#pragma_synchronous
    store.commit(messages=[event("a", 1)])
    assert store._connection.execute(synchronous).fetchone() == (2,)
    store.confirm([store.pending(1)[0].id])
    assert store._connection.execute(synchronous).fetchone() == (1,)
    store.commit(rows={("k", "1"): {"x": 1}})
    assert store._connection.execute(synchronous).fetchone() == (2,)
    assert store._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_migration_that_cannot_succeed_is_an_error_in_words(open_, tmp_path):
    open_().close()
    with pytest.raises(StoreError, match=r"flueward\.db cannot be brought to this version: no such table"):
        open_(migrations=(*MIGRATIONS, ("INSERT INTO none VALUES (1)",)))
    assert open_().load("k") == {}
