"""One probe's way from samples to findings: reconstruction, then its detectors. Used live and for recorded history."""

from collections.abc import Callable, Mapping
from math import isfinite
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.config.detector_settings import detector_settings
from agent.config.model import Settings
from agent.intake import signals_of
from agent.recall import Recall, Scene
from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.episodes import Check, RecoveryWindow
from agent.reconstruct.heater import DutySource
from agent.reconstruct.judge import Unseen, judge_air_check, judge_recovery
from agent.reconstruct.known import Known
from agent.reconstruct.mode import CHECKS
from agent.reconstruct.now import Mode, ProbeNow
from agent.reconstruct.offset import Offset
from agent.reconstruct.probe import Reconstructed, Reconstruction
from agent.reconstruct.trust import Remaining, TrustNow, judge_trust
from agent.reconstruct.twins import ServiceGas, TwinGas, TwinOf, twin_in
from detectors.cell_offset_drift import AirCheck, CellOffsetDrift, CellOffsetDriftState
from detectors.finding import Finding, Report, Watch
from detectors.heater_duty_creep import HeaterDutyCreep, HeaterDutyCreepState
from detectors.heater_open import HeaterOpen, HeaterOpenState
from detectors.no_communication import NoCommunication, NoCommunicationState
from detectors.slow_recovery import Recovery, SlowRecovery, SlowRecoveryState
from detectors.stretch import Floats, Stretch

__all__ = ["OnEpisode", "ProbeWatcher"]

VERSION: Final = 2
_NEEDS_PROCESS: Final = (
    "a flag that a check is running; or firing or load, to tell a check from a furnace at rest when none is flagged"
)
_UNSEEN_TIMES: Final = 3
_BLOCK: Final = 65_536  # samples that are worked through at once: half a megabyte a column
_RUINS: Final = ("heater_open", "no_communication")  # with these the display says nothing about the gas

OnEpisode = Callable[[Check | RecoveryWindow | Finding, AirCheck | Unseen | Recovery | Finding | None], None]
"""Is told a check or a way back, and what was made of it (None: nothing to judge); an outage's two findings."""


class ProbeWatcher:
    """Carries one probe. `feed` takes samples, `judge` says what they and the passing of time mean.

    Parameters
    ----------
    saved : mapping, optional
        What `to_dict` gave; the findings are then those of a run never stopped.
    start_s : float, optional
        UTC at which listening begins, live; silence before it is the agent's own.
    """

    def __init__(
        self, settings: Settings, probe_id: str, saved: Mapping[str, Any] | None = None, start_s: float | None = None
    ) -> None:
        probe = settings.probes[probe_id]
        register_map = settings.maps[probe.map]
        own = frozenset(signals_of(register_map))
        mapped = set(own)
        for feed in probe.feeds:
            mapped.update(signals_of(settings.maps[settings.feeds[feed].map]))
        if saved is not None and saved.get("version") not in (1, VERSION):  # 1 lacks the learnt set point only
            raise ValueError(f"saved state of {probe_id}: version {saved.get('version')!r}, not {VERSION}")
        state = saved
        self.id = probe_id
        self.probe = probe
        self.mapped = frozenset(mapped)
        options = detector_settings(settings, probe_id, "episodes")
        self._rec = Reconstruction(
            probe, register_map, own, self.mapped, options, None if state is None else state["reconstruction"]
        )

        def options_of(symptom: str) -> Any:
            return detector_settings(settings, probe_id, symptom)

        def saved_of(symptom: str, kind: Any) -> Any:
            return None if state is None else kind.from_dict(state["detectors"][symptom])

        self.creep = HeaterDutyCreep(
            options_of("heater_duty_creep"), saved_of("heater_duty_creep", HeaterDutyCreepState)
        )
        self.drift = CellOffsetDrift(
            options_of("cell_offset_drift"), saved_of("cell_offset_drift", CellOffsetDriftState)
        )
        self.slow = SlowRecovery(options_of("slow_recovery"), saved_of("slow_recovery", SlowRecoveryState))
        self.open = HeaterOpen(options_of("heater_open"), saved_of("heater_open", HeaterOpenState))
        self.silence = NoCommunication(
            options_of("no_communication"),
            saved_of("no_communication", NoCommunicationState),
            start_s=start_s,
            period_s=probe.period_s,
        )
        self.stale_after_s = max(3.0 * probe.period_s, 90.0)
        self._pending: list[Finding] = []
        self._waiting: list[RecoveryWindow] = []
        self._gas = ServiceGas()
        self._judged_s = -np.inf
        self._heard = False  # a sample of any kind
        self._last_s = -np.inf  # of any sample
        self._recall = Recall(emf_measured=self._rec.cell.emf_measured)
        # Made when asked for, until something changes: whether samples are fresh, and what that makes of trust.
        self._trust: tuple[Scene, bool, TrustNow] | None = None
        self.on_episode: OnEpisode | None = None  # is told each episode, with what was made of it
        self._offset = Offset()
        self._process_known = not self.mapped.isdisjoint(("firing", "load"))
        self._judged_from_s = -np.inf
        self._unseen: dict[str, tuple[int, str]] = {}  # symptom -> episodes in a row that told nothing, and why
        self._active: dict[str, Finding] = {}
        if state is not None:
            self._restore(state)

    @property
    def episode_open(self) -> bool:
        """Whether a check or its recovery is going on: the time for burst polling."""
        return self._rec.episodes.open

    @property
    def duty_aliased(self) -> bool:
        """Whether the relay is sampled in step with its cycle, so that its share says nothing."""
        return self._rec.minutes.aliased

    def feed(self, stretch: Stretch) -> int:
        """Take samples; return how many were dropped because they were no later than what is already here."""
        given = len(stretch)
        stretch = self._later(stretch)
        n = len(stretch)
        if n <= _BLOCK:
            if n:
                self._take(stretch)
            return given - n
        for first in range(0, n, _BLOCK):  # how a stream is cut never matters, but what fits into a cache is quick
            rows = slice(first, first + _BLOCK)
            columns = {name: column[rows] for name, column in stretch.signals.items()}
            self._take(Stretch(stretch.time_s[rows], columns))
        return given - n

    def _take(self, stretch: Stretch) -> None:
        """Reconstruct samples, at least one and all later than those before, and show them to the detectors."""
        self._gas.forget(min(self._judged_s, self._last_s))
        time_s = stretch.time_s
        self._last_s = float(time_s[-1])
        valid_s = self.valid_times(stretch)
        if not self._heard:  # rows without a value are silence from the first of them on
            self._heard = True
            self._pending += self.silence.advance(float(time_s[0]))
        self._pending += self.silence.update(valid_s)  # first: a fault further on is no silence
        if valid_s.size < time_s.size:
            # A poll that was lost tells nothing of what the probe is doing: it ends no check that goes on after it.
            if valid_s.size == 0:
                return
            rows = time_s.searchsorted(valid_s)
            stretch, time_s = Stretch(valid_s, {name: x[rows] for name, x in stretch.signals.items()}), valid_s
        done = self._rec.run(stretch)
        self._remember(done, valid_s)
        # Gas of our own cools the cell at full duty: that is no cooling curve of a dead heater.
        cooled = done.modes.is_(*CHECKS, Mode.RECOVERY)
        duty = np.where(cooled, np.nan, done.heater.duty) if np.count_nonzero(cooled) else done.heater.duty
        self._pending += self.open.update(time_s, duty, stretch.get("cell_temp"), done.set_point_c)
        self._pending += self.creep.update(done.minutes)
        for episode in done.episodes:
            if isinstance(episode, RecoveryWindow):
                self._waiting.append(episode)
            elif self.on_episode is not None and episode.kind is not Mode.AIR_CHECK:
                self.on_episode(episode, None)
        self._pending += self._offsets(done)

    def _later(self, stretch: Stretch) -> Stretch:
        """The samples that are later than all before them."""
        time_s = stretch.time_s
        if time_s.size == 0 or (
            time_s[0] > self._last_s
            and time_s[-1] < np.inf
            and np.count_nonzero(time_s[1:] > time_s[:-1]) == time_s.size - 1
        ):
            return stretch
        known = np.where(np.abs(time_s) < np.inf, time_s, np.nan)
        fresh = known > np.fmax.accumulate(np.concatenate(([self._last_s], known[:-1])))
        return Stretch(time_s[fresh], {name: column[fresh] for name, column in stretch.signals.items()})

    def unheard(self, from_s: float, to_s: float) -> None:
        """Nobody listened between the two: that is no silence of the probe."""
        self._pending += self.silence.advance(from_s)
        self.silence.listen_from(to_s)

    def listen_from(self, start_s: float) -> None:
        """What came before was not listened through (the clock was set forward): it is no silence of the probe."""
        self.silence.listen_from(start_s)

    def recent(self) -> TwinGas:
        """The gas of the last minutes in service, for a probe that shares the duct; the time of the last sample."""
        return self._gas.recent(), self._last_s

    def judge(self, now_s: float, twin_of: TwinOf) -> list[Finding]:
        """What the samples and the passing of time up to `now_s` mean, in time order. All samples to `now_s` are in."""
        self._recoveries(now_s, twin_of)
        self._pending += self.creep.update(self._rec.minutes.advance(now_s))
        for detector in (self.creep, self.drift, self.slow, self.open, self.silence):
            self._pending += detector.advance(now_s)
        self._judged_s = max(now_s, self._judged_s)
        found, self._pending = self._pending, []  # only now: what fails above loses nothing that was found
        if len(found) > 1:
            found.sort(key=lambda finding: (finding.at_s, finding.symptom))
        for finding in found:
            if finding.active:
                self._active[finding.symptom] = finding
            else:
                was = self._active.pop(finding.symptom, None)
                if was is not None and finding.symptom == "no_communication" and self.on_episode is not None:
                    self.on_episode(was, finding)
            if finding.symptom in _RUINS:
                self._recall.tell_symptom(finding.at_s, finding.symptom, active=finding.active)
        return found

    def now(self, now_s: float) -> ProbeNow:
        """What is known of the probe at `now_s`: of an instant of the last steps, as it was then."""
        scene = self._recall.at(now_s)
        fresh = scene.sample_s is not None and now_s - scene.sample_s <= self.stale_after_s
        fresh = fresh and "no_communication" not in scene.active  # a site may call it silence sooner than it is stale
        mode = scene.mode if fresh else Mode.NO_DATA
        if self._trust is None or self._trust[0] is not scene or self._trust[1] != fresh:
            self._trust = (scene, fresh, _judged_trust(scene, mode, fresh=fresh))
        trust = self._trust[2]
        return ProbeNow(
            probe=self.id,
            at_s=now_s,
            sample_at_s=scene.sample_s,
            mode=mode,
            trust=trust.trust,
            steady_trust=trust.steady,
            error_estimate=trust.error_pct,
            error_direction=trust.direction,
            signals=scene.known.signals(),
        )

    def reports(self) -> dict[str, Report]:
        """What each detector has learnt, or cannot observe and why."""
        out = {
            "heater_duty_creep": self.creep.report(),
            "cell_offset_drift": self.drift.report(),
            "slow_recovery": self.slow.report(),
            "heater_open": self.open.report(),
            "no_communication": self.silence.report(),
        }
        source = self._rec.heater.source
        if source is DutySource.NONE:
            needs = "heater_on_time, heater_on, or a heater_output whose meaning the map states"
            for symptom in ("heater_duty_creep", "heater_open"):
                out[symptom] = Report(watch=Watch.NOT_OBSERVABLE, learnt=out[symptom].learnt, needs=needs)
        elif self.duty_aliased:
            out["heater_duty_creep"] = Report(
                watch=Watch.NOT_OBSERVABLE,
                learnt=out["heater_duty_creep"].learnt,
                needs="a counter, the controller's output or quicker polling: the relay is seen too seldom for its "
                "share to tell a duty, or in step with its cycle",
            )
        for symptom, (times, why) in self._unseen.items():
            if times >= _UNSEEN_TIMES and out[symptom].watch is not Watch.FINDING:
                out[symptom] = Report(watch=Watch.NOT_OBSERVABLE, learnt=out[symptom].learnt, needs=why)
        return out

    def to_dict(self) -> dict[str, Any]:
        """Everything that must survive a restart, as JSON-able data."""
        scene = self._recall.latest()
        return {
            "version": VERSION,
            "reconstruction": self._rec.to_dict(),
            "detectors": {
                "heater_duty_creep": self.creep.state.to_dict(),
                "cell_offset_drift": self.drift.state.to_dict(),
                "slow_recovery": self.slow.state.to_dict(),
                "heater_open": self.open.state.to_dict(),
                "no_communication": self.silence.state.to_dict(),
            },
            "last_s": storable(self._last_s),
            "sample_s": scene.sample_s,
            "mode": scene.mode.value,
            "held": scene.held,
            "service_o2_pct": scene.service_o2_pct,
            "values": scene.known.to_dict(),
            "offset": self._offset.to_dict(),
            "judged_from_s": storable(self._judged_from_s),
            "waiting": [window.to_dict() for window in self._waiting],
            "twin_trace": self._gas.to_rows(),
            "unseen": {symptom: list(row) for symptom, row in self._unseen.items()},
            "active": [
                {name: _plain(getattr(finding, name)) for name in Finding.__slots__}
                for finding in self._active.values()
            ],
        }

    def _restore(self, state: Mapping[str, Any]) -> None:
        self._last_s = float(unstorable(state["last_s"]))
        self._heard = isfinite(self._last_s)
        self._offset = Offset(state["offset"])
        self._judged_from_s = float(unstorable(state["judged_from_s"]))
        self._waiting = [RecoveryWindow.from_dict(row) for row in state["waiting"]]
        self._gas = ServiceGas(state["twin_trace"])
        self._unseen = {symptom: (times, why) for symptom, (times, why) in state["unseen"].items()}
        self._active = {row["symptom"]: Finding(**row) for row in state["active"]}
        scene = Scene(
            mode=Mode(state["mode"]),
            held=state["held"],
            sample_s=state["sample_s"],
            service_o2_pct=state["service_o2_pct"],
            known=Known(state["values"]),
            remaining=self._offset.remaining,
            active=frozenset(self._active.keys() & _RUINS),
        )
        self._recall = Recall(emf_measured=self._rec.cell.emf_measured, scene=scene)

    def valid_times(self, stretch: Stretch) -> Floats:
        """When the probe's own transmitter told anything: a feed that goes on is no sign of life."""
        missing: NDArray[np.bool_] | None = None
        for name, column in stretch.signals.items():
            if name in self._rec.own:
                blank = np.isnan(column)
                missing = blank if missing is None else missing & blank
                if not np.count_nonzero(missing):  # nearly always at once: a poll tells everything
                    return stretch.time_s
        return stretch.time_s[:0] if missing is None else stretch.time_s[~missing]

    def _air_check(self, check: Check) -> AirCheck | None:
        if check.presumed and not self._process_known:
            result: AirCheck | Unseen = Unseen(check.end_s, check.kind, _NEEDS_PROCESS)
        else:
            result = judge_air_check(check, self._rec.cell, self.probe, self._rec.options)
        if self.on_episode is not None:
            self.on_episode(check, result)
        if isinstance(result, Unseen):
            self._note("cell_offset_drift", result.why)
            return None
        self._note("cell_offset_drift", "")
        return result

    def _offsets(self, done: Reconstructed) -> list[Finding]:
        """Air checks and calibrations of a stretch, in order of time."""
        ended = [one for one in done.episodes if isinstance(one, Check) and one.kind is Mode.AIR_CHECK]
        time_s, stored_mv = done.stretch.time_s, done.cell.stored_mv
        checks: list[AirCheck] = []
        first = 0
        for episode in ended:  # a calibration that an earlier check led to is counted before the next check
            end = int(time_s.searchsorted(episode.end_s, side="right"))
            checks += self._offset.stored(time_s[first:end], stored_mv[first:end])
            first = max(first, end)
            result = self._air_check(episode)
            if result is not None:
                self._offset.checked(result)
                checks.append(result)
        checks += self._offset.stored(time_s[first:], stored_mv[first:])
        for check in checks:
            self._tell_offset(check)
        return self.drift.update(checks)

    def _tell_offset(self, check: AirCheck) -> None:
        """What a check, or a calibration after it, says of the offset from its time on."""
        raw = (check.raw_offset_mv, "mV", check.raw_u_mv) if isfinite(check.raw_offset_mv) else None
        left = (check.remaining_offset_mv, "mV", check.remaining_u_mv) if isfinite(check.remaining_offset_mv) else None
        if check.restored:  # the cell itself is what it was
            self._recall.tell(check.at_s, remaining_offset=left)
        else:
            self._recall.tell(check.at_s, raw_offset=raw, remaining_offset=left)
        remaining = None if left is None else Remaining(left[0], left[2], check.at_s)
        self._recall.tell_remaining(check.at_s, remaining)

    def _note(self, symptom: str, why: str) -> None:
        """Keep count of episodes that told nothing: one may fail, three in a row are worth saying."""
        if why:
            times, _ = self._unseen.get(symptom, (0, ""))
            self._unseen[symptom] = (times + 1, why)
        else:
            self._unseen.pop(symptom, None)

    def _recoveries(self, now_s: float, twin_of: TwinOf) -> None:
        """Judge the ways back that are long enough; wait a little for a twin that is behind."""
        waiting: list[RecoveryWindow] = []
        while self._waiting:
            window = self._waiting.pop(0)
            if window.from_s <= self._judged_from_s:
                continue
            twin, complete = twin_in(window, self.probe.twins, now_s, twin_of)
            if not complete:
                waiting.append(window)
                continue
            recovery = judge_recovery(window, self._rec.cell, twin, process_known=self._process_known)
            if recovery is None:
                continue
            self._judged_from_s = window.from_s
            if self.on_episode is not None:
                self.on_episode(window, recovery)
            self._note("slow_recovery", "" if recovery.accepted else recovery.why_not)
            if recovery.accepted:
                self._recall.tell(recovery.at_s, tau=(recovery.tau_s, "s", recovery.tau_u_s))
            self._pending += self.slow.update([recovery])
        self._waiting = waiting

    def _remember(self, done: Reconstructed, valid_s: Floats) -> None:
        self._recall.take(done, valid_s, self._judged_s)
        if self.probe.twins:
            o2_frac = done.cell.o2_frac
            self._gas.add(done.stretch.time_s, o2_frac, done.modes.is_(Mode.IN_SERVICE) & ~np.isnan(o2_frac))


def _judged_trust(scene: Scene, mode: Mode, *, fresh: bool) -> TrustNow:
    known = scene.known
    return judge_trust(
        mode=mode,
        held=scene.held,
        fresh=fresh,
        fault=known.value("fault") == 1.0,
        o2_pct=known.value("o2"),
        service_o2_pct=scene.service_o2_pct,
        cell_temp_c=known.value("cell_temp"),
        remaining=scene.remaining,
        ruined_by=next((name for name in _RUINS if name in scene.active), None),
    )


def _plain(value: Any) -> Any:
    return dict(value) if isinstance(value, Mapping) else value
