"""A group of probes that ask each other for their gas, run through their history: slices of fixed UTC times in turn.

The pipeline is the live one. Its own book of alerts is kept along the way for one purpose: it knows for which instants
somebody will want to know how the probe was, and asks while the samples are at hand. What the site's alerts are is
judged by `agent.replay.site_run`, from the findings of all groups together.
"""

from collections.abc import Callable, Iterable, Mapping
from math import ceil, inf
from typing import Final

from agent.alerts.book import AlertBook
from agent.alerts.ledger import SILENCE
from agent.alerts.policy import policy_for
from agent.alerts.symptoms import SYMPTOMS, Speed
from agent.config.model import Probe, Settings
from agent.counters import Counters
from agent.logs import where
from agent.pipeline import Found, Pipeline
from agent.reconstruct.now import ProbeNow
from agent.replay.ahead import ReadAhead
from agent.replay.files.problems import Problems
from agent.replay.probe_run import ProbeRun
from agent.replay.result import GroupResult
from agent.replay.rows import Rows
from agent.replay.source import History

__all__ = ["run_group"]

_SLICES_S: Final = (86_400.0, 43_200.0, 21_600.0, 14_400.0, 7200.0, 3600.0)
_SLICE_ROWS: Final = 16_384  # what the watcher works through at once
_SLOW: Final = frozenset(name for name, row in SYMPTOMS.items() if row.speed is Speed.SLOW)


def run_group(
    history: History,
    settings: Settings,
    probes: Iterable[str],
    *,
    from_s: float = -inf,
    to_s: float = inf,
    progress: Callable[[int], None] | None = None,
) -> GroupResult:
    """Run the probes of one group. A fault of the program is told in the result, not raised.

    `progress` is told how many rows were taken since it was told last.
    """
    found_in = {probe: Problems() for probe in probes}
    readers = {probe: ReadAhead(history.stretches(probe, found_in[probe])) for probe in found_in}
    try:
        rows = {probe: Rows(reader, from_s, to_s) for probe, reader in readers.items()}
        result = _Group(settings, rows).run(progress)
    except Exception as error:  # noqa: BLE001 - a fault in one probe must not cost the others; it is told
        result = GroupResult(failed=f"{error!r} at {where(error)}")
    finally:
        for reader in readers.values():
            reader.close()
    for problems in found_in.values():
        result.problems.merge(problems)
    return result


class _Group:
    def __init__(self, settings: Settings, rows: dict[str, Rows]) -> None:
        self._settings = settings
        usual_s = {probe: one.usual_s() for probe, one in rows.items()}
        chosen = {probe: _as_recorded(settings, probe, usual_s) for probe in rows}
        self._pipeline = Pipeline(settings.model_copy(update={"probes": chosen}), Counters())
        self._pipeline.book = AlertBook(settings, now_at=self._asked, events_only=True)
        self._runs = {probe: ProbeRun(self._pipeline.watchers[probe], one) for probe, one in rows.items()}
        quickest_s = min((each for each in usual_s.values() if each > 0), default=1.0)
        self._slice_s = next((s for s in _SLICES_S if s / quickest_s <= _SLICE_ROWS), _SLICES_S[-1])
        self._nows: dict[tuple[str, float], ProbeNow] = {}
        self._later: list[tuple[float, str]] = []  # instants to come at which somebody will ask

    def run(self, progress: Callable[[int], None] | None) -> GroupResult:
        result = GroupResult()
        while (next_s := self._next_s()) < inf:
            end_s = ceil(next_s / self._slice_s) * self._slice_s
            taken = 0
            for run in self._runs.values():
                rows, absences = run.feed(end_s)
                taken += rows
                for absence in absences:
                    self._ask_around(run, absence.from_s, absence.heard_s)
            self._judge(end_s if self._next_s() < inf else self._last_s(), result)
            if progress is not None:
                progress(taken)
        for probe, run in self._runs.items():
            if run.result.rows:
                self._asked(probe, run.result.last_s)
                self._asked(probe, run.result.last_s + run.result.limit_s)
                run.end()
            result.probes[probe] = run.result
        for (probe, _), now in sorted(self._nows.items()):
            result.nows.setdefault(probe, []).append(now)
        return result

    def _judge(self, now_s: float, result: GroupResult) -> None:
        for run in self._runs.values():
            run.wait(now_s)
        found = self._pipeline.find(now_s)
        self._pipeline.take(found, now_s)
        self._pipeline.tick()
        for probe, run in self._runs.items():
            mine: list[Found] = [row for row in found if row[1] == probe]
            result.found += run.count(mine, _SLOW)
        for at_s, probe in [one for one in self._later if one[0] <= now_s]:
            self._asked(probe, at_s)
        self._later = [one for one in self._later if one[0] > now_s]

    def _ask_around(self, run: ProbeRun, from_s: float, heard_s: float | None) -> None:
        """An absence may turn out a silence, of which an alert begins and ends."""
        probe = run.result.probe
        self._asked(probe, from_s + run.result.limit_s)
        if heard_s is not None:
            off_s = policy_for(self._settings, probe, SILENCE).off_delay_s
            self._later += [(heard_s, probe), (heard_s + off_s, probe)]

    def _asked(self, probe: str, at_s: float) -> ProbeNow:
        now = self._nows[probe, at_s] = self._pipeline.now(probe, at_s)
        return now

    def _next_s(self) -> float:
        return min(run.rows.next_s for run in self._runs.values())

    def _last_s(self) -> float:
        return max(run.result.last_s for run in self._runs.values() if run.result.rows)


def _as_recorded(settings: Settings, probe: str, usual_s: Mapping[str, float]) -> Probe:
    """The probe as it was recorded: perhaps at longer times than it is polled at, perhaps without a twin."""
    at = settings.probes[probe]
    more = {
        "period_s": max(at.period_s, usual_s[probe]),
        "twins": tuple(twin for twin in at.twins if twin in usual_s),
    }
    return at.model_copy(update=more)
