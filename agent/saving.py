"""What goes to the disk together, and what comes back from it: alerts, their messages, and the state they came from."""

import asyncio
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.alerts.ledger import BOOK_KEY, Handed, Transition
from agent.clock import Clock
from agent.counters import Counters
from agent.logs import where
from agent.outgoing import ALERT_ROWS, PROBE_ROWS, alert_rows, messages_of
from agent.pipeline import Pipeline
from agent.reconstruct.carry import unstorable
from agent.steps import Steps
from agent.store.database import Store
from agent.store.messages import OutgoingMessage, encoded

__all__ = ["REFUSED_ROWS", "Rows", "Saved", "Saving"]

REFUSED_ROWS: Final = "refused_probe"  # states that this program could not go on with, kept for a person
STATE_S: Final = 300.0  # how old the saved state of a detector may be at most after a power cut
AHEAD_MAX_S: Final = 86_400.0  # a state from further in the future was written under a wrong clock

Rows = dict[tuple[str, str], dict[str, Any] | None]


class Saved:
    """What the store holds of an earlier life.

    Attributes
    ----------
    until_s : float
        Event time up to which the states go (UTC seconds), -inf without any.
    too_new : dict
        States whose clock was so far ahead that nobody could wait for it: not gone on with.
    """

    def __init__(self, store: Store, probes: Iterable[str], *, now_s: float) -> None:
        known = frozenset(probes)
        self.probes = {probe: row for probe, row in store.load(PROBE_ROWS).items() if probe in known}
        self.alerts = store.load(ALERT_ROWS)
        seen = {probe: _until_s(row) for probe, row in self.probes.items()}
        self.too_new = {probe: row for probe, row in self.probes.items() if seen[probe] > now_s + AHEAD_MAX_S}
        for probe in self.too_new:
            del self.probes[probe], seen[probe]
        self.until_s = max(seen.values(), default=float("-inf"))


def _until_s(row: Mapping[str, Any]) -> float:
    try:
        return float(unstorable(row["last_s"]))
    except (LookupError, TypeError, ValueError):
        return float("-inf")  # damaged: whoever restores it says so


class Saving:
    """Writes the changes of each turn, in one transaction, in a thread.

    `written` is called on the event loop after each write.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        steps: Steps,
        store: Store,
        *,
        clock: Clock,
        counters: Counters,
        log: FilteringBoundLogger,
        written: Callable[[], None],
    ) -> None:
        self._pipeline, self._steps, self._store = pipeline, steps, store
        self._clock, self._counters, self._log, self._written = clock, counters, log, written
        now_s, count = clock.monotonic(), max(len(pipeline.watchers), 1)
        self._save_s = {probe: now_s + STATE_S * (i + 1) / count for i, probe in enumerate(pipeline.watchers)}
        self._renamed = store.renamed
        self._writing: asyncio.Task[None] | None = None
        self._told_unsavable: set[str] = set()
        self._extra: Rows = {}  # to be written with the next transaction

    def say_refused(self, saved: Saved) -> None:
        """Tell, once at the start, what could not be gone on with; such states of probes are kept beside the new."""
        for line in self._pipeline.book.refused_rows:
            self._counters.count("state_refused", "book")
            self._log.error("alert_not_restored", found=line, message="its next judgement raises it anew")
        for probe in self._pipeline.watchers:
            row, why = saved.too_new.get(probe), "it was saved under a clock that was more than a day ahead"
            if row is not None:
                self._counters.count("state_refused", probe)
            elif self._counters.at("state_refused", probe):
                row, why = saved.probes[probe], "it is damaged or of another version"
            if row is not None:
                self._extra[REFUSED_ROWS, probe] = dict(row)
                self._log.error(
                    "state_refused",
                    probe=probe,
                    found=why,
                    message="kept aside; its baselines are learnt anew",
                )

    async def save(self, transitions: list[Transition], due: Iterable[str], *, all_of_them: bool = False) -> None:
        """One transaction: the messages, the rows of the alerts, and the state that they came from.

        Probes of `due` are saved where their saved state is old. Nothing is written when there is nothing.
        """
        now_s = self._clock.monotonic()
        probes = dict.fromkeys(probe for probe in due if all_of_them or self._save_s[probe] <= now_s)
        anew = self._store.renamed is not self._renamed
        if not (transitions or probes or anew or self._extra):
            return
        book = self._pipeline.book
        changed = book.changed_rows()
        messages = messages_of(transitions)
        if anew:  # the file was found damaged and begun anew: it has to hold everything again
            self._renamed = self._store.renamed
            changed, probes = book.to_rows(), dict.fromkeys(self._pipeline.watchers)
            retained = [OutgoingMessage(m.topic, m.payload, m.retain, "state", m.topic, self._clock.utc())
                        for m in book.retained()]  # fmt: skip
            messages = [*messages, *retained]
        # The state of a probe goes with every row that came from it: an older one would not know what it has said.
        probes.update(dict.fromkeys(probe for key, row in changed.items() for probe in _probes_of(key, row)))
        rows, self._extra = self._extra | alert_rows(changed), {}
        for probe in probes:
            row = self._state_of(probe)
            if row is not None:
                rows[PROBE_ROWS, probe] = row
        await self.write(messages, rows, transitions)

    def _state_of(self, probe: str) -> dict[str, Any] | None:
        watcher = self._pipeline.watchers.get(probe)
        if watcher is None or probe in self._steps.failing:  # what is on the disk is the last that was sound
            return None
        self._save_s[probe] = self._clock.monotonic() + STATE_S
        try:
            return watcher.to_dict()
        except Exception as error:  # noqa: BLE001 - one state that cannot be saved must not cost an alert; it is told
            self._unsavable(probe, error)
            return None

    async def write(self, messages: list[OutgoingMessage], rows: Rows, transitions: Iterable[Transition] = ()) -> None:
        """Commit, and go on to the end even when the caller is cancelled meanwhile."""
        self._writing = asyncio.create_task(self._write(messages, rows, list(transitions)), name="write")
        await asyncio.shield(self._writing)

    @property
    def writing(self) -> bool:
        """Whether a write is under way."""
        return self._writing is not None and not self._writing.done()

    async def settled(self, within_s: float) -> bool:
        """Wait for a write that is under way; False where it took longer."""
        if self._writing is not None and not self._writing.done():
            await asyncio.wait({self._writing}, timeout=within_s)
        return not self.writing

    async def _write(self, messages: list[OutgoingMessage], rows: Rows, transitions: list[Transition]) -> None:
        try:
            await asyncio.to_thread(self._store.commit, messages=messages, rows=rows)
        except (TypeError, ValueError, RecursionError):  # something in it is no JSON: all but that
            good: Rows = {at: row for at, row in rows.items() if self._is_json(at, row)}
            await asyncio.to_thread(self._store.commit, messages=messages, rows=good)
        self._written()
        for transition in transitions:
            told = transition.payload
            if transition.kind is Handed.TRANSITION and told is not None:
                self._log.info(
                    "alert", **{name: told[name] for name in ("probe", "symptom", "state", "id", "seq", "headline")}
                )

    def _is_json(self, at: tuple[str, str], row: dict[str, Any] | None) -> bool:
        try:
            encoded(row)
        except (TypeError, ValueError, RecursionError) as error:
            self._unsavable("/".join(at), error)
            return False
        return True

    def _unsavable(self, what: str, error: Exception) -> None:
        self._counters.count("state_not_saved", what)
        if what not in self._told_unsavable:
            self._told_unsavable.add(what)
            self._log.error(
                "state_not_saved",
                of=what,
                error=repr(error),
                where=where(error),
                message="a fault of this program, please report it",
            )


def _probes_of(key: str, row: Mapping[str, Any]) -> list[str]:
    if key == BOOK_KEY:
        return [item["probe"] for item in row["queue"]]
    return [key.split("/")[0]]
