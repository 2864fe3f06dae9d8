"""Whatever comes, in whatever cuts, with restarts anywhere: the same transitions, and an alert keeps its word."""

import json
from collections import defaultdict

from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from jsonschema import Draft202012Validator

from agent.alerts.book import AlertBook, RefusedError
from agent.alerts.ledger import Handed
from agent.alerts.message_schemas import load_schema
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from detectors.finding import Finding
from tests.alerts_site import SITE

T0 = 1_790_000_000.0
PROBES = ("b2-east", "b2-west", "kiln")
SYMPTOMS = (
    "heater_duty_creep",
    "heater_exhausted",
    "heater_open",
    "thermocouple_open",
    "slow_recovery",
    "filter_back_pressure",
    "transmitter_fault",
    "heater_uncontrolled",
    "no_communication",
)
SETTINGS = Settings.model_validate(
    {**SITE, "detectors": {"heater_uncontrolled": {"alarm": True}, "heater_exhausted": {"on_delay_s": 900}}}
)
ALERT_SCHEMA, CHECK_SCHEMA = (Draft202012Validator(load_schema(name)) for name in ("alert", "check"))

# Steps between judgements from the same instant to days, on a grid that hits deadlines exactly now and then.
STEPS_S = st.sampled_from([0.0, 1.0, 59.0, 60.0, 300.0, 900.0, 3599.0, 3600.0, 86_400.0, 3 * 86_400.0, 7 * 86_400.0])
JUDGEMENTS = st.tuples(
    STEPS_S, st.sampled_from(PROBES), st.sampled_from(SYMPTOMS), st.booleans(), st.integers(min_value=1, max_value=2)
)


def findings_of(steps):
    at_s, found = T0, []
    for step_s, probe, symptom, active, level in steps:
        at_s += step_s
        found.append((at_s, probe, Finding(symptom=symptom, at_s=at_s, active=active, level=level, value=1.0)))
    return found


def told(out):
    """Transitions by alert, as far as they may depend on nothing but event time."""
    found = defaultdict(list)
    for t in out:
        if t.kind is Handed.TRANSITION:
            p = t.payload
            keys = ("id", "seq", "state", "raised_at", "updated_at", "cleared_at", "continues", "superseded_by")
            found[t.key].append(tuple(p[key] for key in keys))
        elif t.kind is Handed.TIDY:
            found[t.key].append(("tidy", t.at_s))
    return dict(found)


def run(found, cuts, end_s, *, restart):
    """Findings up to each cut go in, probe by probe, then the tick; a restart from JSON after each where asked."""
    book, out, done = AlertBook(SETTINGS), [], 0
    for cut_s in [*sorted({c for c in cuts if c < end_s}), end_s]:
        batch = [one for one in found[done:] if one[0] <= cut_s]
        done += len(batch)
        for probe in PROBES:
            mine = [finding for _, name, finding in batch if name == probe]
            if mine:
                out += book.take(probe, mine, ProbeNow(probe=probe, at_s=mine[-1].at_s))
        out += book.tick(cut_s, {})
        if restart:
            book = AlertBook.from_rows(SETTINGS, json.loads(json.dumps(book.to_rows(), allow_nan=False)))
    return out


@hypothesis_settings(max_examples=60, deadline=None)
@given(steps=st.lists(JUDGEMENTS, min_size=1, max_size=25), data=st.data())
def test_cuts_ticks_and_restarts_change_no_transition(steps, data):
    found = findings_of(steps)
    end_s = found[-1][0] + 30 * 86_400.0
    fine = run(found, [at_s for at_s, _, _ in found], end_s, restart=False)
    offsets = data.draw(st.lists(st.floats(0.0, end_s - T0), max_size=8))
    coarse = run(found, [T0 + offset for offset in offsets], end_s, restart=True)
    assert told(coarse) == told(fine)


@hypothesis_settings(max_examples=60, deadline=None)
@given(steps=st.lists(JUDGEMENTS, min_size=1, max_size=25))
def test_rows_saved_only_where_they_changed_are_all_rows(steps):
    saved, book = {}, AlertBook(SETTINGS)
    for at_s, probe, finding in findings_of(steps):
        book.take(probe, [finding], ProbeNow(probe=probe, at_s=at_s))
        book.tick(at_s, {})
        saved.update(json.loads(json.dumps(book.changed_rows())))
    whole = json.loads(json.dumps(book.to_rows()))
    empty = {"version": 1, "silent": [], "queue": []}
    assert {"book": empty, **saved} == {k: v for k, v in whole.items() if k in saved or k == "book"}
    untouched = [row for key, row in whole.items() if key not in saved and key != "book"]
    assert all(row["id"] is None and row["finding"] is None for row in untouched)


class AnAlertKeepsItsWord(RuleBasedStateMachine):
    """Findings, time, people and restarts in any order."""

    @initialize()
    def start(self):
        self.book, self.at_s = AlertBook(SETTINGS), T0
        self.last_seq, self.raised, self.latest = {}, {}, {}

    def keep(self, out):
        for t in out:
            for message in t.messages:
                if message.payload is not None:
                    schema = CHECK_SCHEMA if message.topic.split("/")[-2] == "check" else ALERT_SCHEMA
                    schema.validate(message.payload)
            if t.kind is Handed.TIDY:
                self.latest.pop(t.key)
                continue
            p = t.payload
            if t.kind is Handed.TRANSITION:
                assert p["seq"] == self.last_seq.get(p["id"], 0) + 1
                assert p["event_id"] == f"{p['id']}.{p['seq']}"
                self.last_seq[p["id"]] = p["seq"]
            assert self.raised.setdefault(p["id"], p["raised_at"]) == p["raised_at"]
            before = self.latest.get(t.key)
            if before is not None and before["id"] != p["id"]:
                assert before["cleared_at"] is not None, "a new alert while the old one is open"
            self.latest[t.key] = p

    @rule(step_s=STEPS_S, probe=st.sampled_from(PROBES), symptom=st.sampled_from(SYMPTOMS), active=st.booleans())
    def judge(self, step_s, probe, symptom, active):
        self.at_s += step_s
        finding = Finding(symptom=symptom, at_s=self.at_s, active=active, value=1.0)
        self.keep(self.book.take(probe, [finding], ProbeNow(probe=probe, at_s=self.at_s)))

    @rule(step_s=STEPS_S)
    def tick(self, step_s):
        self.at_s += step_s
        self.keep(self.book.tick(self.at_s, {}))

    @rule(
        action=st.sampled_from(["acknowledge", "shelve", "unshelve", "out_of_service", "in_service", "suppress"]),
        probe=st.sampled_from(PROBES),
        symptom=st.sampled_from(SYMPTOMS),
    )
    def person(self, action, probe, symptom):
        self.tick(0.0)
        until_s = self.at_s + 7200.0
        asks = {
            "acknowledge": lambda: self.book.acknowledge(probe, symptom, by="kim", at_s=self.at_s),
            "shelve": lambda: self.book.shelve(probe, symptom, until_s=until_s, by="kim", at_s=self.at_s),
            "unshelve": lambda: self.book.unshelve(probe, symptom, at_s=self.at_s),
            "out_of_service": lambda: self.book.out_of_service(probe, until_s=until_s, by="kim", at_s=self.at_s),
            "in_service": lambda: self.book.in_service(probe, at_s=self.at_s),
            "suppress": lambda: self.book.suppress(probe, symptom, cause="unit off", at_s=self.at_s),
        }
        try:
            out = asks[action]()
        except RefusedError:
            return
        self.keep(out)

    @rule()
    def restart(self):
        self.book = AlertBook.from_rows(SETTINGS, json.loads(json.dumps(self.book.to_rows(), allow_nan=False)))

    @invariant()
    def the_book_says_what_was_told(self):
        if not hasattr(self, "book"):
            return
        open_ = {f"{p['probe']}/{p['symptom']}": p["id"] for p in self.book.active()}
        assert open_ == {key: p["id"] for key, p in self.latest.items() if p["cleared_at"] is None}
        retained = {m.topic for m in self.book.retained()}
        assert len(retained) == 2 * len(self.latest)


AnAlertKeepsItsWord.TestCase.settings = hypothesis_settings(max_examples=40, stateful_step_count=30, deadline=None)
TestAnAlertKeepsItsWord = AnAlertKeepsItsWord.TestCase
