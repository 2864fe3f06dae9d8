"""Any order of calls, with the disk coming and going, against a model that is a plain list."""

import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import structlog
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from agent.counters import Counters
from agent.store.database import open_store
from agent.store.messages import OutgoingMessage
from agent.store.opening import connect
from tests.fakes import FakeClock

KEYS = st.sampled_from("abc")


class Moody:
    """A connection that refuses to commit while told to."""

    refuses = False

    def __init__(self, real: sqlite3.Connection) -> None:
        self._real = real

    def execute(self, sql: str, *more: Any) -> Any:
        if Moody.refuses and sql == "COMMIT":
            error = sqlite3.OperationalError("no room")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error
        return self._real.execute(sql, *more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)


class StoreAgainstModel(RuleBasedStateMachine):
    """`waiting` and `aside` hold (kind, topic, n) in order; nothing else is known of the store's inside."""

    def __init__(self) -> None:
        super().__init__()
        Moody.refuses = False
        self.folder = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
        self.waiting: list[tuple[str, str, int]] = []
        self.aside: list[tuple[str, str, int]] = []
        self.rows: dict[str, dict[str, Any]] = {}
        self.retained: dict[str, int] = {}
        self.n = 0
        self.open()

    def open(self) -> None:
        self.store = open_store(
            Path(self.folder.name) / "flueward.db",
            log=structlog.get_logger(),
            counters=Counters(),
            clock=FakeClock(),
            open_file=lambda path: Moody(connect(path)),  # type: ignore[arg-type,return-value]
        )

    @rule(key=KEYS, states=st.booleans(), deletes=st.booleans())
    def commit(self, key: str, states: bool, deletes: bool) -> None:
        self.n += 1
        payload = {"n": self.n}
        messages = [OutgoingMessage(f"{key}/event", payload, False, "event", key, 1.8e9)]
        self.waiting.append(("event", f"{key}/event", self.n))
        if states:
            topic = f"{key}/state"
            messages.append(OutgoingMessage(topic, payload, True, "state", key, 1.8e9))
            self.waiting = [m for m in self.waiting if m[:2] != ("state", topic)]
            self.aside = [m for m in self.aside if m[:2] != ("state", topic)]
            self.waiting.append(("state", topic, self.n))
            self.retained[topic] = self.n
        durable = self.store.commit(messages=messages, rows={("k", key): None if deletes else payload})
        self.rows.pop(key, None)
        if not deletes:
            self.rows[key] = payload
        assert durable is not Moody.refuses

    @rule(which=st.integers(0, 3))
    def confirm(self, which: int) -> None:
        found = self.store.pending(1000)
        if which < len(found):
            self.store.confirm([found[which].id])
            del self.waiting[which]

    @rule(which=st.integers(0, 3))
    def set_aside(self, which: int) -> None:
        found = self.store.pending(1000)
        if which < len(found):
            self.store.set_aside(found[which].id, "no")
            self.aside.append(self.waiting.pop(which))

    @rule()
    def bring_back(self) -> None:
        assert self.store.bring_back() == len(self.aside)
        # A message that comes back takes its old place; numbers rise with time, and an event goes before its state.
        self.waiting = sorted([*self.waiting, *self.aside], key=lambda m: (m[2], m[0]))
        self.aside = []

    @rule(refuses=st.booleans())
    def disk(self, refuses: bool) -> None:
        Moody.refuses = refuses

    @rule()
    def flush(self) -> None:
        assert self.store.flush() is (not Moody.refuses or not self.store.unwritten)

    @rule()
    def restart(self) -> None:
        if Moody.refuses:  # what is only in memory would be lost, as it says
            return
        self.store.close()
        self.open()

    @invariant()
    def all_is_there(self) -> None:
        found = self.store.pending(1000)
        assert [(m.message.kind, m.message.topic, m.message.payload["n"]) for m in found] == self.waiting  # type: ignore[index]
        assert self.store.counts() == (len(self.waiting), len(self.aside))
        assert sorted(a.topic for a in self.store.refused(1000)) == sorted(topic for _, topic, _ in self.aside)
        assert self.store.load("k") == self.rows
        assert {t: m.payload["n"] for t, m in self.store.retained().items()} == self.retained  # type: ignore[index]

    def teardown(self) -> None:
        Moody.refuses = False
        self.store.close()
        self.folder.cleanup()


TestStoreAgainstModel = StoreAgainstModel.TestCase
TestStoreAgainstModel.settings = settings(
    max_examples=150, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck)
)
