"""What is written together: after a power cut no detector knows less than the alert that came of it."""

import asyncio

import numpy as np

from agent.clock import SystemClock
from agent.config.load import load_settings
from agent.counters import Counters
from agent.intake import Intake
from agent.pipeline import Pipeline
from agent.saving import Saved, Saving
from agent.steps import Steps
from agent.store.database import open_store
from detectors.stretch import Stretch
from tests.service.rig import Bench, Log

BEGAN_S = 1_790_000_000.0
SLOW_EAST = """
[detectors.heater_open]
on_delay_s = 0.0
[probes.east.detectors.heater_open]
on_delay_s = 3600.0
"""


class Desk:
    """A pipeline with a store, and nothing that runs by itself."""

    def __init__(self, folder, more=SLOW_EAST):
        settings = load_settings(
            Bench({"one": ["east", "west", "mid"]}, folder, more=more).write({"one": 502}, 1883), environ={}
        )
        clock, self.log, self.counters = SystemClock(), Log(), Counters()
        path = settings.data_dir / "flueward.db"
        self.store = open_store(path, log=self.log.log, counters=self.counters, clock=clock)
        self.saved = Saved(self.store, settings.probes, now_s=BEGAN_S)
        self.pipeline = Pipeline(settings, self.counters, saved=self.saved.probes, book=self.saved.alerts)
        intake = Intake(settings)
        self.steps = Steps(
            settings, self.pipeline, intake, counters=self.counters, log=self.log.log, now_s=clock.monotonic()
        )
        self.woken = 0
        self.saving = Saving(
            self.pipeline,
            self.steps,
            self.store,
            clock=clock,
            counters=self.counters,
            log=self.log.log,
            written=self._wake,
        )

    def _wake(self):
        self.woken += 1

    def cooled(self, probe):
        """Ten minutes without heat at full output."""
        time_s = BEGAN_S + np.arange(0.0, 600.0, 5.0)
        flat = np.ones(time_s.size)
        signals = {
            "o2": 3.0 * flat,
            "cell_emf": 40.75 * flat,
            "cell_temp": 680.0 - 0.2 * (time_s - BEGAN_S),
            "cell_temp_setpoint": 700.0 * flat,
            "heater_output": 100.0 * flat,
        }
        self.pipeline.feed({probe: Stretch(time_s, signals)})
        return self.pipeline.judge(BEGAN_S + 600.0, [probe])

    def save(self, transitions, due=(), **more):
        asyncio.run(self.saving.save(transitions, due, **more))


def test_a_state_is_saved_with_every_row_of_an_alert_that_came_from_it_though_another_probe_spoke(tmp_path):
    desk = Desk(tmp_path)
    assert desk.cooled("east") == []  # it waits for its on-delay: a row, and no transition
    spoken = desk.cooled("west")
    assert [one.payload["symptom"] for one in spoken] == ["heater_open"]
    desk.save(spoken)
    rows = desk.store.load("alert")
    assert rows["east/heater_open"]["condition"]["present"]
    states = desk.store.load("probe")
    assert states.keys() == {"east", "west"}
    assert states["east"]["detectors"]["heater_open"]["active"]
    assert desk.woken == 1
    desk.store.close()

    again = Desk(tmp_path)
    assert again.pipeline.watchers["east"].open.state.active
    assert again.saved.until_s == BEGAN_S + 595.0
    again.store.close()


def test_nothing_is_written_where_nothing_has_changed(tmp_path):
    desk = Desk(tmp_path)
    desk.save([], ["east", "west"])
    assert desk.woken == 0
    desk.save([], ["east"], all_of_them=True)
    assert desk.store.load("probe").keys() == {"east"}
    desk.store.close()


def test_a_state_that_cannot_be_saved_costs_no_alert_and_is_told_once(tmp_path):
    class Broken:
        def to_dict(self):
            raise ZeroDivisionError("a fault of ours")

    class Unwritable:
        def to_dict(self):
            return {"what": object()}

    desk = Desk(tmp_path)
    spoken = desk.cooled("west")
    desk.pipeline.watchers |= {"east": Broken(), "mid": Unwritable()}
    desk.save(spoken, ["east", "mid"], all_of_them=True)
    desk.save([], ["east", "mid"], all_of_them=True)
    assert [message.message.kind for message in desk.store.pending(10)] == ["event", "state", "state"]
    assert desk.store.load("probe").keys() == {"west"}
    assert [line["of"] for line in desk.log.lines("state_not_saved")] == ["east", "probe/mid"]
    assert len(desk.log.lines("alert")) == 1
    desk.store.close()


def test_the_state_of_a_probe_whose_detector_fails_is_left_as_it_was_when_it_was_sound(tmp_path):
    desk = Desk(tmp_path)
    desk.save([], ["west"], all_of_them=True)
    before = desk.store.load("probe")["west"]
    desk.steps.failing["west"] = BEGAN_S
    desk.save(desk.cooled("west"), ["west"], all_of_them=True)
    assert desk.store.load("probe")["west"] == before
    desk.store.close()


def test_rows_of_probes_that_are_no_longer_configured_wait_for_the_day_when_they_are(tmp_path):
    desk = Desk(tmp_path)
    desk.store.commit(rows={("probe", "gone"): {"version": 1}})
    assert "gone" not in Saved(desk.store, ["east"], now_s=BEGAN_S).probes
    assert desk.store.load("probe")["gone"] == {"version": 1}
    desk.store.close()
