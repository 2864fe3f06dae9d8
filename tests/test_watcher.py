import json
from dataclasses import asdict, replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.simulate.faults import FilterClosing, HeaterAgeing, HeaterOpen, OffsetDrift, Silent
from agent.simulate.history import history_times, read_signals
from agent.simulate.plant import make_plant
from agent.watcher import ProbeWatcher
from detectors.stretch import Stretch

LIVE_S = 1_790_000_000.0
DAYS = 8.0
DAY_S, HOUR_S = 86_400.0, 3600.0
# Three kinds of transmitter: millivolts measured and the display held, with a twin; a damped display and a counter; a
# relay sampled as it is.
PROBES = ("econ_east", "econ_west", "grid_left", "bypass_one")
# Short enough that each detector learns and speaks within the days that are made here.
DETECTORS = {
    "heater_duty_creep": {"learn_days": 5, "learn_most_days": 5, "window_days": 2, "least_days": 1},
    "slow_recovery": {
        "learn_episodes": 3,
        "learn_most": 3,
        "learn_days": 1.0,
        "of_last": 3,
        "slow_count": 2,
        "evidence_z": 0.0,
    },
    "cell_offset_drift": {"trend_checks": 4, "trend_days": 2.0},
}


def faults_of(probe, from_s):
    def at(day):
        return from_s + day * DAY_S

    if probe == "econ_east":
        return (
            HeaterOpen(probe=probe, onset_s=at(2.1), until_s=at(2.1) + HOUR_S),
            Silent(probe=probe, onset_s=at(3.2), until_s=at(3.2) + 0.5 * HOUR_S),
            FilterClosing(probe=probe, onset_s=at(3.5), factor=3.0, over_days=0.5),
            OffsetDrift(probe=probe, onset_s=at(1.0), mv_per_day=1.5),
            HeaterAgeing(probe=probe, onset_s=at(5.0), per_day=0.15),
        )
    if probe == "grid_left":
        return (
            OffsetDrift(probe=probe, onset_s=at(2.0), mv_per_day=1.5),
            HeaterAgeing(probe=probe, onset_s=at(5.0), per_day=0.2),
        )
    if probe == "bypass_one":
        return (FilterClosing(probe=probe, onset_s=at(4.5), factor=3.0, over_days=0.5),)
    return ()


@cache
def recorded():
    """Settings, and for each probe the times and signals of eight days, with holes in them."""
    plant = make_plant(5, live_start_utc_s=LIVE_S, days=DAYS)
    models = {name: model.with_faults(faults_of(name, plant.from_s)) for name, model in plant.models.items()}
    plant = replace(plant, models=models)
    streams = {}
    for probe in PROBES:
        model = models[probe]
        time_s = history_times(model.episodes, plant.from_s, LIVE_S, coarse_s=120.0, burst_s=2.0, after_s=600.0)
        for fault in faults_of(probe, plant.from_s):
            if isinstance(fault, HeaterOpen):
                time_s = np.union1d(time_s, fault.onset_s + np.arange(0.0, 600.0, 7.0))
        checks = [episode for episode in model.episodes if plant.from_s < episode.start_s < LIVE_S - DAY_S]
        # The polling stops in the middle of a check, and later on the way back from one, and goes on after ten minutes.
        for hole_s in (checks[1].start_s + 30.0, checks[-2].end_s + 40.0):
            time_s = time_s[(time_s < hole_s) | (time_s > hole_s + 600.0)]
        signals = read_signals(plant, probe, time_s)
        rng = np.random.default_rng(len(probe))
        storm = rng.random(time_s.size) < 0.01
        storm[:20] = True  # and nothing at all at first
        for name, column in signals.items():
            column[storm | (rng.random(time_s.size) < 0.002)] = np.nan
            if name == "cell_temp":
                column[rng.integers(0, time_s.size, 3)] = np.inf
        streams[probe] = (time_s, signals)
    chosen = {"probes": {name: plant.settings.probes[name] for name in PROBES}, "detectors": DETECTORS}
    return plant.settings.model_copy(update=chosen), streams


def part(stream, from_s, to_s):
    """The samples of (from, to]."""
    time_s, signals = stream
    rows = slice(*np.searchsorted(time_s, [from_s, to_s], side="right"))
    return Stretch(time_s[rows], {name: column[rows] for name, column in signals.items()})


def saved_and_restored(site, watchers):
    texts = {probe: json.dumps(watcher.to_dict(), allow_nan=False) for probe, watcher in watchers.items()}
    return {probe: ProbeWatcher(site, probe, json.loads(text)) for probe, text in texts.items()}


def run(cuts, *, restored=frozenset(), ahead_s=(0.0,), feed=None):
    """Findings of every probe as text, and what is known of it at the end.

    `restored`: after which cuts everything is saved and restored. `ahead_s`: by how many seconds of samples a probe is
    ahead of what is judged, in turn. `feed`: how a stretch goes into a watcher.
    """
    site, streams = recorded()
    watchers = {probe: ProbeWatcher(site, probe) for probe in PROBES}
    found = {probe: [] for probe in PROBES}
    last_s = max(float(time_s[-1]) for time_s, _ in streams.values())
    fed_s = dict.fromkeys(PROBES, -np.inf)
    for i, cut_s in enumerate([*sorted(cuts), last_s]):
        for k, probe in enumerate(PROBES):
            to_s = max(min(cut_s + ahead_s[(i + k) % len(ahead_s)], last_s), fed_s[probe])
            stretch = part(streams[probe], fed_s[probe], to_s)
            (ProbeWatcher.feed if feed is None else feed)(watchers[probe], stretch)
            fed_s[probe] = to_s
        twins = {probe: watcher.recent for probe, watcher in watchers.items()}
        for probe, watcher in watchers.items():
            found[probe] += watcher.judge(cut_s, lambda twin, twins=twins: twins[twin]())
        if i in restored:
            watchers = saved_and_restored(site, watchers)
    texts = {}
    for probe, rows in found.items():
        rows.sort(key=lambda finding: (finding.at_s, finding.symptom))
        # as text: NaN equals itself there, and every digit counts
        texts[probe] = [repr(asdict(finding)) for finding in rows] + [repr(watchers[probe].now(last_s))]
    return texts, found


@cache
def whole():
    return run([])


def test_the_days_that_the_properties_look_at_make_every_detector_speak_and_fall_silent():
    _, found = whole()
    spoke = {(finding.symptom, finding.active) for rows in found.values() for finding in rows}
    symptoms = ("heater_duty_creep", "cell_offset_drift", "slow_recovery", "heater_open", "no_communication")
    assert spoke == {(symptom, active) for symptom in symptoms for active in (True, False)}


@cache
def instants():
    """Every instant at which any probe was sampled: most of them lie in and after checks."""
    _, streams = recorded()
    return np.unique(np.concatenate([time_s for time_s, _ in streams.values()]))


CUTS = st.lists(st.integers(0, 2**20), max_size=25)


def at(cuts):
    return [float(instants()[cut % instants().size]) for cut in cuts]


@settings(max_examples=7, deadline=None)
@given(cuts=CUTS, ahead_s=st.lists(st.floats(0.0, 30.0), min_size=1, max_size=5))
def test_the_findings_are_the_same_however_the_stream_is_cut_and_whoever_is_ahead(cuts, ahead_s):
    assert run(at(cuts), ahead_s=ahead_s)[0] == whole()[0]


@settings(max_examples=7, deadline=None)
@given(cuts=CUTS.filter(len), data=st.data())
def test_the_findings_are_those_of_a_run_never_stopped(cuts, data):
    restored = data.draw(st.sets(st.integers(0, len(cuts) - 1), min_size=1, max_size=4))
    assert run(at(cuts), restored=restored)[0] == whole()[0]


def test_samples_one_at_a_time_through_a_check_say_what_the_whole_day_says():
    time_s, _ = recorded()[1]["econ_east"]
    dense = time_s[:-1][np.diff(time_s) < 3.0]
    assert run([float(one) for one in dense[600:1000]])[0] == whole()[0]


@settings(max_examples=4, deadline=None)
@given(cuts=CUTS.filter(len), back=st.integers(1, 400))
def test_repeated_and_late_samples_are_counted_and_harm_nothing(cuts, back):
    dropped = 0
    before = {}

    def feed(watcher, stretch):
        nonlocal dropped
        old = before.get(watcher.id)
        if old is not None and len(old) and len(stretch):
            late = min(back, len(old))
            joined = np.concatenate((old.time_s[-late:][::-1], [np.nan], stretch.time_s, stretch.time_s[-1:]))
            columns = {
                name: np.concatenate((column[-late:][::-1], [-1.0], stretch.signals[name], [-1.0]))
                for name, column in old.signals.items()
            }
            dropped += watcher.feed(Stretch(joined, columns)) - late - 2
        else:
            dropped += watcher.feed(stretch)
        before[watcher.id] = stretch

    assert run(at(cuts), feed=feed)[0] == whole()[0]
    assert dropped == 0


def test_polls_that_were_lost_between_the_others_change_nothing():
    # One row in four is followed by one with nothing in it, also in checks and on the ways back from them.
    def feed(watcher, stretch):
        lost_s = (0.5 * (stretch.time_s[1:] + stretch.time_s[:-1]))[::4]
        time_s = np.concatenate((stretch.time_s, lost_s))
        order = np.argsort(time_s)
        nothing = np.full(lost_s.size, np.nan)
        columns = {name: np.concatenate((x, nothing))[order] for name, x in stretch.signals.items()}
        return watcher.feed(Stretch(time_s[order], columns))

    assert run([], feed=feed)[0] == whole()[0]


def test_a_leap_of_the_clock_is_a_gap_and_harms_nothing_after_it():
    site, streams = recorded()
    time_s, signals = streams["econ_west"]
    watcher = ProbeWatcher(site, "econ_west")
    middle = time_s.size // 2
    leap = np.where(np.arange(time_s.size) < middle, 0.0, 400 * DAY_S)
    watcher.feed(Stretch(time_s + leap, signals))
    found = watcher.judge(float(time_s[-1] + leap[-1]), lambda twin: (None, np.inf))
    after = [one for one in found if one.at_s > time_s[-1] + DAY_S and one.symptom != "no_communication"]
    assert after
    assert not any(one.active for one in after)
    assert watcher.now(float(time_s[-1] + leap[-1])).sample_at_s is not None


def test_a_state_of_another_version_is_refused_in_words():
    site, _ = recorded()
    with pytest.raises(ValueError, match="version"):
        ProbeWatcher(site, "econ_west", {**ProbeWatcher(site, "econ_west").to_dict(), "version": 0})
