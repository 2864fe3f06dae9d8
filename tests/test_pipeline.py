"""All probes of a site: twins, the book of alerts, and what one probe's trouble must not do to others."""

import json
from functools import cache

import numpy as np
import pytest

from agent.config.model import Settings
from agent.counters import Counters
from agent.pipeline import Pipeline
from detectors.stretch import Stretch

START_S = 1_790_000_000.0
MAP = {
    "signals": {
        name: {"address": 2 * i, "type": "float32"}
        for i, name in enumerate(("o2", "cell_emf", "cell_temp", "heater_output", "load"))
    }
    | {"blowback_active": {"address": 40, "bit": 0}},
    "conventions": {"heater_output": "duty", "o2_during_checks": "live", "cell_emf_during_checks": "live"},
}


def site(twins=True, **of_west):
    return Settings.model_validate(
        {
            "site": "fen",
            "agent": "a",
            "data_dir": "unused",
            "lines": {"one": {"kind": "tcp", "host": "127.0.0.1", "port": 502}},
            "maps": {"m": MAP},
            "probes": {
                "east": {"line": "one", "unit": 1, "map": "m", "twins": ["west"] if twins else []},
                "west": {"line": "one", "unit": 2, "map": "m", "twins": ["east"], **of_west},
            },
        }
    )


def process(time_s):
    """Flue gas that swings about 5 % within minutes: without a twin the return to it looks quicker or slower."""
    return 0.05 + 0.015 * np.sin(2 * np.pi * (time_s - START_S) / 170.0)


@cache
def streams():
    """Two probes in one duct, a day at 2 s to 60 s: blowbacks of `east` alone, whose filter takes 14 s."""
    out = {}
    for probe, blowbacks in (("east", (0.3, 0.5, 0.7)), ("west", ())):
        parts = [START_S + np.arange(0.0, 86_400.0, 60.0)]
        parts += [START_S + at * 86_400.0 + np.arange(-60.0, 700.0, 2.0) for at in (0.3, 0.5, 0.7)]
        time_s = np.unique(np.concatenate(parts))
        o2, active = process(time_s), np.zeros(time_s.size)
        for at in blowbacks:
            start_s = START_S + at * 86_400.0
            since_s = time_s - start_s - 20.0
            active[(since_s >= -20.0) & (since_s < 0.0)] = 1.0
            rising, falling = np.clip(since_s + 20.0, 0.0, 20.0), np.maximum(since_s, 0.0)
            left = (1 - np.exp(-rising / 2.0)) * np.exp(-falling / 14.0)
            o2 = np.where(since_s >= -20.0, o2 + (0.2095 - o2) * left, o2)
        o2 = o2 + np.random.default_rng(len(probe)).normal(0.0, 2e-4, time_s.size)
        signals = {
            "o2": 100 * o2,
            "cell_emf": 20.965 * np.log(0.2095 / o2),
            "cell_temp": np.full(time_s.size, 700.0),
            "heater_output": np.full(time_s.size, 40.0),
            "load": np.full(time_s.size, 80.0),
            "blowback_active": active,
        }
        out[probe] = (time_s, signals)
    return out


def part(probe, from_s, to_s):
    time_s, signals = streams()[probe]
    rows = slice(*np.searchsorted(time_s, [from_s, to_s], side="right"))
    return Stretch(time_s[rows], {name: column[rows] for name, column in signals.items()})


def taus(edges_s, *, order=("east", "west"), lag_s=0.0, twins=True):
    """Time constants of `east` as its detector got them. `west` is fed `lag_s` behind."""
    pipeline = Pipeline(site(twins), Counters())
    before_s = dict.fromkeys(order, -np.inf)
    for to_s in edges_s:
        for probe in order:
            end_s = to_s - (lag_s if probe == "west" else 0.0)
            pipeline.feed({probe: part(probe, before_s[probe], end_s)})
            before_s[probe] = end_s
        pipeline.judge(to_s, order)
    rows = pipeline.watchers["east"].slow.state.learning.get("air", [])
    return [row[:3] for row in rows], pipeline.watchers["east"].slow.state.refused


END_S = START_S + 86_400.0


def test_a_twin_tells_what_the_process_did_meanwhile_also_in_a_stretch_of_a_day():
    rows, _ = taus([END_S])
    assert np.exp([row[1] for row in rows]) == pytest.approx(np.full(3, 14.0), rel=0.03)
    alone, _ = taus([END_S], twins=False)
    assert np.max(np.abs(np.exp([row[1] for row in alone]) - 14.0)) > 2.0


@pytest.mark.parametrize("order", [("east", "west"), ("west", "east")])
@pytest.mark.parametrize("lag_s", [0.0, 20.0])
def test_neither_steps_nor_the_order_of_probes_nor_a_twin_behind_change_a_time_constant(order, lag_s):
    steps = np.append(np.arange(START_S, END_S, 40.0), [END_S, END_S + lag_s])
    assert taus(steps.tolist(), order=order, lag_s=lag_s) == taus([END_S])
    assert taus([END_S], order=order) == taus([END_S])


def test_a_twin_that_has_gone_silent_holds_nothing_up():
    pipeline = Pipeline(site(), Counters())
    pipeline.feed({"east": part("east", -np.inf, START_S + 0.3 * 86_400.0 + 700.0)})
    pipeline.judge(START_S + 0.3 * 86_400.0 + 700.0, ["east"])
    state = pipeline.watchers["east"].slow.state
    assert len(state.learning.get("air", [])) + state.refused == 1


def test_what_comes_late_is_counted_at_its_probe():
    counters = Counters()
    pipeline = Pipeline(site(), counters)
    pipeline.feed({"west": part("west", -np.inf, START_S + 3600.0)})
    pipeline.feed({"west": part("west", -np.inf, START_S + 3720.0)})
    assert counters.at("sample_out_of_order", "west") == 61
    assert counters.at("sample_out_of_order", "east") == 0


def test_a_damaged_state_costs_its_probe_what_it_had_learnt_and_no_other():
    first = Pipeline(site(), Counters())
    first.feed({probe: part(probe, -np.inf, END_S) for probe in ("east", "west")})
    first.judge(END_S)
    saved = {probe: json.loads(json.dumps(watcher.to_dict())) for probe, watcher in first.watchers.items()}
    for damage in ({}, {"version": 99}, {**saved["west"], "reconstruction": []}, {**saved["west"], "values": [1]}):
        counters = Counters()
        again = Pipeline(site(), counters, saved={"east": saved["east"], "west": damage})
        assert counters.at("state_refused", "west") == 1
        assert counters.at("state_refused", "east") == 0
        assert again.watchers["east"].slow.state == first.watchers["east"].slow.state


def test_time_alone_makes_silence_known_and_a_sample_ends_it():
    pipeline = Pipeline(site(detectors={"no_communication": {"on_delay_s": 0.0, "off_delay_s": 0.0}}), Counters())
    day = {probe: part(probe, -np.inf, START_S + 3600.0) for probe in ("east", "west")}
    pipeline.feed(day)
    assert pipeline.judge(START_S + 3600.0) + pipeline.tick() == []
    pipeline.feed({"east": part("east", START_S + 3600.0, START_S + 7200.0)})
    told = pipeline.judge(START_S + 7200.0) + pipeline.tick()
    assert {one.payload["state"] for one in told if one.payload is not None and one.key.startswith("west/")} == {
        "unacknowledged"
    }
    pipeline.feed({"west": part("west", START_S + 7200.0, START_S + 7300.0)})
    told = pipeline.judge(START_S + 7300.0) + pipeline.tick()
    assert {one.payload["state"] for one in told if one.payload is not None} == {"normal"}
