"""Recorded history says what live said, whatever the files, the slices and the number of processes."""

import json
import logging
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import structlog

from agent.alerts.ledger import Handed
from agent.counters import Counters
from agent.intake import Intake, columns_of
from agent.pipeline import Pipeline
from agent.replay.engine import replay
from agent.signals import Sample
from agent.simulate.faults import FilterClosing, HeaterOpen, OffsetDrift, Silent
from agent.simulate.history import history_times, read_signals
from agent.simulate.plant import make_plant
from agent.steps import Steps
from detectors.stretch import Stretch
from tests.replay.recorded import MemoryHistory

LIVE_S, DAYS = 1_790_000_000.0, 8.0
DAY_S, HOUR_S = 86_400.0, 3600.0
PROBES = ("econ_east", "econ_west", "grid_left")  # twins, and one with a damped display and a counter
DETECTORS = {
    "slow_recovery": {
        "learn_episodes": 3,
        "learn_most": 3,
        "learn_days": 1.0,
        "of_last": 3,
        "slow_count": 2,
        "evidence_z": 0.0,
    },
    "cell_offset_drift": {"on_delay_s": 7000.0},  # an alert that time alone raises
}


@cache
def recorded():
    """Settings, and the samples of eight days by probe: what a recorder beside a live agent would have kept."""
    plant = make_plant(5, live_start_utc_s=LIVE_S, days=DAYS)

    def at(day):
        return plant.from_s + day * DAY_S

    faults = {
        "econ_east": (
            HeaterOpen(probe="econ_east", onset_s=at(2.1), until_s=at(2.1) + HOUR_S),
            Silent(probe="econ_east", onset_s=at(3.2), until_s=at(3.2) + 0.5 * HOUR_S),
            FilterClosing(probe="econ_east", onset_s=at(3.5), factor=3.0, over_days=0.5),
            OffsetDrift(probe="econ_east", onset_s=at(1.0), mv_per_day=1.5),
        ),
        "grid_left": (OffsetDrift(probe="grid_left", onset_s=at(2.0), mv_per_day=1.5),),
    }
    models = {name: plant.models[name].with_faults(faults.get(name, ())) for name in PROBES}
    plant = replace(plant, models={**plant.models, **models})
    streams = {}
    for probe, model in models.items():
        time_s = history_times(model.episodes, plant.from_s, LIVE_S, coarse_s=60.0, burst_s=4.0, after_s=600.0)
        if probe == "econ_east":
            time_s = np.union1d(time_s, at(2.1) + np.arange(0.0, 600.0, 7.0))
        streams[probe] = (time_s, read_signals(plant, probe, time_s))
    probes = {name: plant.settings.probes[name].model_copy(update={"period_s": 60.0}) for name in PROBES}
    chosen = {"probes": probes, "detectors": DETECTORS}
    return plant.settings.model_copy(update=chosen), streams


@cache
def whole():
    site, streams = recorded()
    return replay(site, MemoryHistory(streams), jobs=1)


def samples_of(site, streams):
    """As the pollers gave them: own values by sample, in order of time over all probes."""
    rows = []
    for probe, (time_s, signals) in streams.items():
        own, fed = columns_of(site, probe)
        for i, at_s in enumerate(time_s.tolist()):
            values = {n: float(signals[n][i]) for n in signals if n in own and not np.isnan(signals[n][i])}
            feed = {n: float(signals[n][i]) for n in fed if n in signals and not np.isnan(signals[n][i])}
            rows.append((at_s, probe, values, feed))
    return sorted(rows, key=lambda row: row[:2])


def live(site, streams):
    """The live agent's own steps, turn by turn: transitions, and what was fed (a recorder would have kept it)."""
    first_s = min(float(time_s[0]) for time_s, _ in streams.values())
    pipeline, intake = Pipeline(site, Counters(), start_s=first_s), Intake(site)
    log = structlog.make_filtering_bound_logger(logging.CRITICAL)(None, [], {})
    steps = Steps(site, pipeline, intake, counters=Counters(), log=log, now_s=first_s)
    kept = {probe: [] for probe in PROBES}

    class Keeping:
        def drain(self, probe):
            stretch = intake.drain(probe)
            kept[probe].append(stretch)
            return stretch

    steps._intake = Keeping()
    out, now_s = [], first_s
    samples, at = samples_of(site, streams), 0
    end_s = samples[-1][0]
    dense_s = np.sort(np.concatenate([time_s[1:][np.diff(time_s) < 10.0] for time_s, _ in streams.values()]))
    while now_s < end_s:  # as the service does, but for long turns where nothing goes on: the test's time is dear
        ahead = dense_s[np.searchsorted(dense_s, now_s) :]
        now_s = min(now_s + (8.0 if ahead.size and ahead[0] - now_s < 600.0 else 480.0), end_s)
        while at < len(samples) and samples[at][0] <= now_s:
            at_s, probe, values, fed = samples[at]
            for feed in site.probes[probe].feeds:
                intake.feed(Sample(feed, at_s, fed))
            intake.sample(Sample(probe, at_s, values))
            at += 1
        due = list(PROBES) if now_s == end_s else steps.due(now_s)
        out += steps.run(due, now_s, now_s) + steps.tick()
    assert not steps.failing
    return [one.payload for one in out if one.kind is Handed.TRANSITION], kept


def told(payloads):
    return sorted((json.dumps(one) for one in payloads), key=lambda text: json.loads(text)["event_id"])


def test_a_live_run_that_was_recorded_replays_to_the_same_payloads_to_the_last_byte():
    site, streams = recorded()
    said, kept = live(site, streams)
    names = {probe: list(stretches[0].signals) for probe, stretches in kept.items()}
    history = MemoryHistory(
        {
            probe: (
                np.concatenate([one.time_s for one in stretches]),
                {name: np.concatenate([one.signals[name] for one in stretches]) for name in names[probe]},
            )
            for probe, stretches in kept.items()
        },
        chunk=1000,
    )
    again = replay(site, history, jobs=1)
    assert {one["symptom"] for one in said} == {
        "heater_open",
        "no_communication",
        "slow_recovery",
        "cell_offset_drift",
    }
    assert {one["state"] for one in said} == {"unacknowledged", "normal"}
    assert told(again.alerts) == told(said)
    for one in again.alerts:
        assert (one["sent_at"], one["delayed"]) == (None, False)


def test_neither_chunks_nor_processes_change_a_byte():
    site, streams = recorded()
    usual = json.dumps(whole().alerts)
    assert json.dumps(replay(site, MemoryHistory(streams, chunk=13), jobs=1).alerts) == usual
    several = replay(site, MemoryHistory(streams, chunk=4001), jobs=2)
    assert json.dumps(several.alerts) == usual
    assert several.rows == whole().rows == sum(time_s.size for time_s, _ in streams.values())


def test_progress_reaches_the_number_of_rows():
    site, streams = recorded()
    seen = []
    replay(site, MemoryHistory({"grid_left": streams["grid_left"]}), jobs=1, progress=lambda *now: seen.append(now))
    assert seen[-1] == (streams["grid_left"][0].size,) * 2
    assert seen == sorted(seen)


def test_one_probe_alone_says_what_it_says_among_all_since_its_twin_is_read_too():
    site, streams = recorded()
    alone = replay(site, MemoryHistory(streams), probes=["econ_east"], jobs=1)
    assert set(alone.probes) == {"econ_east"}
    assert alone.rows == streams["econ_east"][0].size + streams["econ_west"][0].size
    ids = [one["event_id"] for one in whole().alerts if one["probe"] == "econ_east"]
    assert [one["event_id"] for one in alone.alerts] == ids


def test_a_twin_without_history_is_no_fault():
    site, streams = recorded()
    done = replay(site, MemoryHistory({"econ_east": streams["econ_east"]}), jobs=1)
    assert not done.failed
    assert done.without == ("econ_west", "grid_left")


@pytest.mark.parametrize(("how", "jobs"), [("breaks", 1), ("kills", 2)])
def test_a_probe_that_fails_is_named_and_the_others_go_on(how, jobs):
    site, streams = recorded()
    broken = MemoryHistory(streams, chunk=2000, **{how: "grid_left"})
    done = replay(site, broken, jobs=jobs)
    assert set(done.failed) == {"grid_left"}
    assert ("the reader's fault" if how == "breaks" else "ended without a word") in done.failed["grid_left"]
    expected = [one["event_id"] for one in whole().alerts if one["probe"] != "grid_left"]
    assert [one["event_id"] for one in done.alerts] == expected


def test_from_and_to_leave_out_rows():
    site, streams = recorded()
    time_s, signals = streams["grid_left"]
    from_s, to_s = float(time_s[700]), float(time_s[2100])
    part = replay(site, MemoryHistory({"grid_left": (time_s, signals)}, chunk=512), from_s=from_s, to_s=to_s, jobs=1)
    one = part.probes["grid_left"]
    assert (one.rows, one.first_s, one.last_s) == (1400, from_s, float(time_s[2099]))


def test_what_readers_find_wrong_is_told_and_signals_that_never_came_are_named():
    site, streams = recorded()
    time_s, signals = streams["grid_left"]
    poor = {name: column for name, column in signals.items() if name != "heater_on_time"}
    done = replay(site, MemoryHistory({"grid_left": (time_s, poor)}, said={"grid_left": "a row is odd"}), jobs=1)
    assert done.problems.lines() == ["probe=grid_left/x.csv: a row is odd (1 row)"]
    assert set(signals) - set(poor) <= set(done.probes["grid_left"].never)


def test_a_history_without_a_row_gives_nothing():
    site, _ = recorded()
    empty = MemoryHistory({"grid_left": (np.zeros(0), {"o2": np.zeros(0)})})
    done = replay(site, empty, jobs=1)
    assert (done.probes, done.alerts, done.without) == ({}, [], PROBES)


def test_steps_of_a_stretch_fit_the_rows():
    """The made history is what the tests above suppose: rising times, and some rows in which a probe is silent."""
    _, streams = recorded()
    time_s, signals = streams["econ_east"]
    assert (np.diff(time_s) > 0).all()
    assert np.isnan(Stretch(time_s, signals).get("cell_temp")).any()
