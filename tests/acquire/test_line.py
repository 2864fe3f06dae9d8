"""A line on a fake clock: who is polled when, who rests, and what is said about it."""

import asyncio
import itertools
import random
from collections import Counter

import pytest

from agent.acquire.acquisition import Acquisition
from agent.acquire.transport import LinkError, Overheard
from agent.counters import Counters
from agent.signals import Reason
from tests.fakes import FakeClock

TCP = {"kind": "tcp", "host": "h", "timeout_s": 1.0}
RTU = {"kind": "rtu", "device": "/dev/ttyX", "timeout_s": 1.0}
SILENT = LinkError(Reason.TIMEOUT, "no answer within 1 s")


def exception(code):
    return LinkError(Reason.EXCEPTION, f"exception {code:#04x}", code=code)


class Plant:
    """An `Acquisition` on scripted wires; collects what it emits."""

    def __init__(self, kit, *, lines, probes, maps=None, feeds=None, seed=1, **wire_options):
        self.clock = FakeClock()
        self.samples, self.fed = [], []
        self.counters, self.log = Counters(), kit.ListLog()
        self.wires = {}
        settings = kit.make_settings(lines=lines, probes=probes, maps=maps, feeds=feeds)
        by_line = {id(line): name for name, line in settings.lines.items()}

        def make_wire(line):
            name = by_line[id(line)]
            self.wires[name] = kit.ScriptedWire(
                self.clock, shared_medium=line.kind != "tcp", timeout_s=line.timeout_s, **wire_options
            )
            return self.wires[name]

        self.acquisition = Acquisition(
            settings,
            clock=self.clock,
            rng=random.Random(seed),
            emit=self.samples.append,
            emit_feed=self.fed.append,
            counters=self.counters,
            log=self.log,
            make_wire=make_wire,
        )

    @property
    def wire(self):
        return next(iter(self.wires.values()))

    def of(self, probe):
        return [sample for sample in self.samples if sample.probe == probe]


def run(kit, scenario, **options):
    async def body():
        plant = Plant(kit, **options)
        task = asyncio.create_task(plant.acquisition.run())
        await scenario(plant)
        await kit.cancelled(task)
        assert all(not wire.is_open for wire in plant.wires.values())
        return plant

    return asyncio.run(body())


def test_a_probe_is_polled_on_its_grid_and_the_values_are_decoded(kit):
    async def scenario(plant):
        await plant.clock.advance(60.5)
        samples = plant.of("east")
        assert len(samples) in (12, 13)
        assert samples[0].values == {"o2": 0.1, "cell_temp": 11, "cell_emf": pytest.approx(1.1e-39, rel=0.1)}
        assert samples[0].reasons == {}
        times = [sample.time_s for sample in samples]
        assert all(b - a == pytest.approx(5.0, abs=1e-6) for a, b in itertools.pairwise(times))
        assert not plant.log.lines
        assert not list(plant.counters)

    run(kit, scenario, lines={"a": TCP}, probes={"east": {"line": "a", "period_s": 5.0}})


def test_the_units_of_a_line_are_asked_in_turn_and_one_at_a_time(kit):
    probes = {f"p{n}": {"line": "a", "unit": n, "period_s": 2.0} for n in range(1, 6)}

    async def scenario(plant):
        await plant.clock.advance(20.0)
        begins = [at for at, *_ in plant.wire.reads]
        assert all(b - a >= 0.299 for a, b in itertools.pairwise(begins))  # answers take 0.3 s
        assert all(count in (10, 11) for count in Counter(unit for _, unit, *_ in plant.wire.reads).values())

    run(kit, scenario, lines={"a": TCP}, probes=probes, answer_s=0.3)


def test_the_time_of_a_sample_is_that_of_its_first_answer(kit):
    signals = {"o2": {"address": 1}, "load": {"address": 9}}

    async def scenario(plant):
        began = plant.clock.utc() - plant.clock.monotonic()
        await plant.clock.advance(3.0)
        first = plant.wire.reads[0][0]
        assert plant.of("p")[0].time_s == pytest.approx(began + first + 0.25)

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps={"m": {"signals": signals}}, answer_s=0.25)


def test_a_step_of_the_wall_clock_leaves_the_grid_alone(kit):
    async def scenario(plant):
        await plant.clock.advance(10.0)
        plant.clock.step_utc(-7200.0)
        await plant.clock.advance(10.0)
        begins = [at for at, *_ in plant.wire.reads]
        assert all(b - a == pytest.approx(1.0) for a, b in itertools.pairwise(begins))

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a", "period_s": 1.0}})


def test_a_line_that_cannot_keep_up_skips_and_says_so_once(kit):
    async def scenario(plant):
        await plant.clock.advance(50.0)
        missed = plant.counters.at("cycle_missed", "p")
        assert len(plant.samples) + missed == pytest.approx(50, abs=3)
        assert 20 <= missed <= 35  # a poll takes 2.5 periods
        assert len(plant.log.events("cycle_missed")) == 1
        plant.wire.answer_s = 0.01
        await plant.clock.advance(30.0)
        assert plant.counters.at("cycle_missed", "p") <= missed + 2
        assert len(plant.log.events("cycles_kept_again")) == 1

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a", "period_s": 1.0}}, answer_s=2.5)


# --- dead units ---


@pytest.mark.parametrize(("line", "shared"), [(TCP, False), (RTU | {"listen_s": 0.0}, True)])
def test_a_dead_unit_costs_its_line_under_one_percent_and_the_others_nothing(kit, line, shared):
    probes = {f"p{n}": {"line": "a", "unit": n, "period_s": 5.0} for n in (1, 2, 3)}

    async def scenario(plant):
        plant.wire.behave = lambda unit, *rest: SILENT if unit == 2 else tuple(range(rest[2]))
        await plant.clock.advance(1800.0)  # it has reached its longest rest
        plant.wire.busy_s.clear()
        plant.counters.count("cycle_missed", "p1", 0)
        before = plant.counters.total("cycle_missed")
        counts = {p: len(plant.of(p)) for p in probes}
        await plant.clock.advance(4500.0)
        assert 0 < plant.wire.busy_s[2] / 4500 < 0.01
        assert plant.counters.total("cycle_missed") == before
        assert {p: len(plant.of(p)) - counts[p] for p in probes} == dict.fromkeys(probes, 900)
        assert all(sample.values for sample in plant.of("p1") + plant.of("p3"))
        assert {r for s in plant.of("p2") for r in s.reasons.values()} == {Reason.TIMEOUT, Reason.BACK_OFF}
        changes = plant.log.events("link_changed")
        assert [(change["unit"], change["new"]) for change in changes] == [(2, "timeout")]
        assert list(plant.acquisition.problems()) == ["a/2"]

    run(kit, scenario, lines={"a": line}, probes=probes)


def test_a_dead_unit_that_returns_is_polled_again_and_the_log_says_so(kit):
    probes = {f"p{n}": {"line": "a", "unit": n, "period_s": 5.0} for n in (1, 2)}

    async def scenario(plant):
        plant.wire.behave = lambda unit, *rest: SILENT if unit == 2 else tuple(range(rest[2]))
        await plant.clock.advance(1000.0)
        plant.wire.behave = lambda unit, *rest: tuple(range(rest[2]))
        await plant.clock.advance(130.0)  # 100 times the time-out, and the jitter
        assert plant.of("p2")[-1].values
        assert [change["new"] for change in plant.log.events("link_changed")] == ["timeout", "ok"]
        assert not plant.acquisition.problems()

    run(kit, scenario, lines={"a": TCP}, probes=probes)


def test_one_lost_answer_is_counted_and_is_no_state_of_the_link(kit):
    async def scenario(plant):
        plant.wire.behave = lambda *_: SILENT
        await plant.clock.advance(4.5)
        plant.wire.behave = lambda unit, table, address, count: tuple(range(count))
        await plant.clock.advance(30.0)
        assert plant.counters.at("read_timeout", "a/1") == 1
        assert not plant.log.lines
        assert [bool(sample.values) for sample in plant.samples][:3] == [False, True, True]

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}})


def test_two_probes_of_one_dead_transmitter_rest_together(kit):
    probes = {f"p{n}": {"line": "a", "unit": 1, "address_shift": 100 * n} for n in (0, 1)}

    async def scenario(plant):
        plant.wire.behave = lambda *_: SILENT
        await plant.clock.advance(600.0)
        begins = [at for at, *_ in plant.wire.reads]
        rests = [b - a for a, b in itertools.pairwise(begins)]
        assert all(rest >= 55 for rest in rests[-3:])  # alone on the line: back_off_max_s, and the next slot

    run(kit, scenario, lines={"a": TCP}, probes=probes)


@pytest.mark.parametrize("code", [0x0A, 0x0B])
def test_a_gateway_that_speaks_for_a_dead_unit_lets_that_unit_rest(kit, code):
    probes = {f"p{n}": {"line": "a", "unit": n, "period_s": 1.0} for n in (1, 2)}

    async def scenario(plant):
        plant.wire.behave = lambda unit, *rest: exception(code) if unit == 2 else tuple(range(rest[2]))
        await plant.clock.advance(299.5)
        asked = Counter(unit for _, unit, *_ in plant.wire.reads)
        assert asked[1] == 300
        assert asked[2] < 12
        assert plant.counters.at(f"exception_{code:02x}", "a/2") == asked[2]
        assert list(plant.acquisition.problems()) == ["a/2"]

    run(kit, scenario, lines={"a": TCP}, probes=probes)


def test_a_line_that_cannot_be_connected_rests_and_comes_back(kit):
    async def scenario(plant):
        plant.wires["a"].connect_error = LinkError(Reason.CONNECT, "refused")
        await plant.clock.advance(599.5)
        assert len(plant.wires["a"].opened) < 18
        assert {r for s in plant.of("p") for r in s.reasons.values()} <= {Reason.CONNECT, Reason.BACK_OFF}
        assert len(plant.of("p")) == 120
        assert all(sample.values for sample in plant.of("q"))  # the other line
        assert len(plant.of("q")) == 120
        assert plant.acquisition.problems() == {"a": "connect: refused"}
        plant.wires["a"].connect_error = None
        await plant.clock.advance(73.0)
        assert plant.of("p")[-1].values
        assert [change["new"] for change in plant.log.events("link_changed")] == ["connect", "ok"]

    run(kit, scenario, lines={"a": TCP, "b": TCP}, probes={"p": {"line": "a"}, "q": {"line": "b"}})


def test_a_connection_lost_is_opened_again_at_the_next_poll(kit):
    async def scenario(plant):
        await plant.clock.advance(10.0)
        plant.wire.is_open = False
        await plant.clock.advance(10.0)
        assert len(plant.wire.opened) == 2
        assert all(sample.values for sample in plant.samples)

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a", "period_s": 1.0}})


# --- refusals ---

WIDE = {"m": {"signals": {name: {"address": 10 + i} for i, name in enumerate(
    ["o2", "cell_temp", "head_temp", "load", "flue_temp"])}}}  # fmt: skip


def refusing(address, code=2):
    def behave(unit, table, first, count):
        return exception(code) if first <= address < first + count else tuple(range(first, first + count))

    return behave


def test_a_refused_address_is_found_named_and_left_alone_while_the_others_are_read(kit):
    async def scenario(plant):
        plant.wire.behave = refusing(12)
        await plant.clock.advance(600.0)
        last = plant.samples[-1]
        assert last.values == {"o2": 10, "cell_temp": 11, "load": 13, "flue_temp": 14}
        assert last.reasons == {"head_temp": Reason.EXCEPTION}
        told = plant.log.events("map_refused")
        assert len(told) == 1
        assert (told[0]["addresses"], told[0]["signals"], told[0]["probe"]) == ("12..12", "head_temp", "p")
        assert "map" in told[0]["advice"]
        assert plant.counters.at("map_refused", "p") == 1
        alone = [at for at, _, _, first, count in plant.wire.reads if (first, count) == (12, 1)]
        assert len(alone) == 4  # at once, and after 60, 120 and 240 s
        assert "head_temp" in plant.acquisition.problems()["p"]
        assert not plant.log.events("link_changed")

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=WIDE)


def test_a_refused_block_is_put_together_again_within_the_hour_when_it_heals(kit):
    async def scenario(plant):
        plant.wire.behave = refusing(12)
        await plant.clock.advance(100.0)
        plant.wire.behave = refusing(-1)
        await plant.clock.advance(3700.0)
        plant.wire.reads.clear()
        await plant.clock.advance(5.0)
        assert [read[3:] for read in plant.wire.reads] == [(10, 5)]
        assert not plant.acquisition.problems()

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=WIDE)


def test_a_refused_function_is_asked_ever_more_rarely(kit):
    async def scenario(plant):
        plant.wire.behave = lambda *_: exception(1)
        await plant.clock.advance(7199.5)
        assert len(plant.wire.reads) == 7  # 0, 1, 3, 7, 15, 31, 63 min
        assert len(plant.samples) == 1440
        assert {r for s in plant.samples for r in s.reasons.values()} == {Reason.EXCEPTION}
        assert len(plant.log.events()) == 1

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=WIDE)


@pytest.mark.parametrize("code", [4, 5, 6, 8, 99])
def test_a_busy_or_failing_transmitter_is_asked_again_at_its_next_poll(kit, code):
    async def scenario(plant):
        plant.wire.behave = lambda *_: exception(code)
        await plant.clock.advance(99.5)
        assert len(plant.wire.reads) == 20
        assert plant.counters.at(f"exception_{code:02x}", "a/1") == 20
        assert len(plant.log.lines) == 1
        assert plant.samples[-1].values == {}
        assert not plant.acquisition.problems()

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=WIDE)


TWO_BLOCKS = {"m": {"signals": {
    "o2": {"address": 1}, "load": {"address": 50}, "fault": {"table": "coil", "address": 3}}}}  # fmt: skip


def test_a_block_that_fails_leaves_the_values_of_the_others(kit):
    async def scenario(plant):
        plant.wire.behave = lambda unit, table, first, count: exception(4) if first == 50 else (first,)
        await plant.clock.advance(5.0)
        assert plant.samples[-1].values == {"o2": 1, "fault": 1.0}
        assert plant.samples[-1].reasons == {"load": Reason.EXCEPTION}

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=TWO_BLOCKS)


@pytest.mark.parametrize("dead", [3, 1, 50])
def test_a_block_that_is_always_silent_rests_alone_wherever_it_stands(kit, dead):
    names = {1: "o2", 50: "load", 3: "fault"}

    async def scenario(plant):
        plant.wire.behave = lambda unit, table, first, count: SILENT if first == dead else (first,)
        await plant.clock.advance(3600.0)
        recent = plant.samples[-100:]
        assert all(set(sample.values) == set(names.values()) - {names[dead]} for sample in recent)
        asked = Counter(first for *_, first, _ in plant.wire.reads)
        assert asked[dead] < 80
        told = plant.log.events("block_silent")
        assert [line["signals"] for line in told] == [names[dead]]
        assert not plant.log.events("link_changed")

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=TWO_BLOCKS)


def test_an_answer_that_does_not_fit_leaves_the_other_blocks_readable(kit):
    async def scenario(plant):
        def behave(unit, table, first, count):
            if first == 1:
                plant.wire.is_open = False  # as a TCP wire does
                return LinkError(Reason.LENGTH, "2 bytes came")
            return (first,)

        plant.wire.behave = behave
        await plant.clock.advance(50.0)
        assert plant.samples[-1].values == {"load": 50, "fault": 1.0}
        assert plant.samples[-1].reasons == {"o2": Reason.LENGTH}
        assert plant.counters.at("read_length", "a/1") == 10

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=TWO_BLOCKS)


# --- one master ---

FOREIGN = Overheard(foreign=("05 03 00 00 00 02",))


def test_a_serial_line_is_listened_to_before_anything_is_said(kit):
    async def scenario(plant):
        await plant.clock.advance(9.9)
        assert plant.wire.opened == [1000.0]
        assert plant.wire.reads == []
        assert plant.samples == []
        await plant.clock.advance(5.2)
        assert plant.wire.reads[0][0] >= 1010.0
        assert plant.samples[0].values
        assert not plant.log.lines
        assert plant.counters.total("cycle_missed") == 0

    run(kit, scenario, lines={"a": RTU}, probes={"p": {"line": "a", "period_s": 1.0}})


@pytest.mark.parametrize("heard", [FOREIGN, Overheard(noise_bytes=40)])
def test_a_line_with_another_master_is_refused_and_listened_to_again(kit, heard):
    async def scenario(plant):
        plant.wire.heard = [Overheard(), heard, Overheard(), heard, Overheard(), Overheard()]
        await plant.clock.advance(10.1)
        assert not plant.wire.is_open  # its master has the port to itself
        assert "listening again" in plant.acquisition.problems()["a"]
        await plant.clock.advance(60.0)
        assert plant.counters.at("foreign_master", "a") == 2
        assert plant.wire.reads == []
        assert {r for s in plant.samples for r in s.reasons.values()} == {Reason.FOREIGN_MASTER}
        assert len(plant.samples) > 10
        await plant.clock.advance(150.0)
        assert plant.samples[-1].values
        assert [change["new"] for change in plant.log.events("link_changed")] == ["foreign_master", "ok"]

    run(kit, scenario, lines={"a": RTU}, probes={"p": {"line": "a"}})


def test_foreign_frames_between_our_polls_end_the_polling(kit):
    async def scenario(plant):
        await plant.clock.advance(30.0)
        polls = len(plant.wire.reads)
        plant.wire.heard = [FOREIGN]
        await plant.clock.advance(20.0)
        assert len(plant.wire.reads) == polls
        assert set(plant.samples[-1].reasons.values()) == {Reason.FOREIGN_MASTER}
        assert plant.counters.at("foreign_master", "a") == 1

    run(kit, scenario, lines={"a": RTU}, probes={"p": {"line": "a"}})


def test_late_doubled_and_noisy_bytes_are_counted_and_harm_nothing(kit):
    async def scenario(plant):
        await plant.clock.advance(20.0)
        plant.wire.heard = [Overheard(late=1, duplicates=2, noise_bytes=3)]
        await plant.clock.advance(20.0)
        assert {(event, n) for event, place, n in plant.counters} == {
            ("late_answer", 1), ("duplicate_answer", 2), ("line_noise", 3)}  # fmt: skip
        assert plant.samples[-1].values

    run(kit, scenario, lines={"a": RTU}, probes={"p": {"line": "a"}})


def test_a_serial_line_that_was_away_for_long_is_listened_to_again(kit):
    async def scenario(plant):
        await plant.clock.advance(30.0)
        plant.wire.is_open, plant.wire.connect_error = False, LinkError(Reason.CONNECT, "gone")
        await plant.clock.advance(120.0)
        plant.wire.connect_error = None
        plant.wire.reads.clear()
        await plant.clock.advance(100.0)
        assert plant.wire.reads[0][0] - plant.wire.opened[-1] >= 10.0

    run(kit, scenario, lines={"a": RTU}, probes={"p": {"line": "a"}})


# --- bursts, feeds, dither ---


def test_a_burst_is_for_one_probe_and_ends(kit):
    probes = {"p": {"line": "a", "period_s": 5.0}, "q": {"line": "a", "unit": 2, "period_s": 5.0}}

    async def scenario(plant):
        await plant.clock.advance(50.0)
        counts = len(plant.of("p")), len(plant.of("q"))
        plant.acquisition.burst("p", plant.clock.monotonic() + 20.0)
        await plant.clock.advance(10.0)
        plant.acquisition.burst("p", plant.clock.monotonic() + 20.0)  # asked again: only the end moves
        await plant.clock.advance(20.0)
        assert 29 <= len(plant.of("p")) - counts[0] <= 31
        assert len(plant.of("q")) - counts[1] == 6
        began = len(plant.of("p"))
        await plant.clock.advance(50.0)
        assert 10 <= len(plant.of("p")) - began <= 11
        assert plant.counters.total("cycle_missed") == 0
        times = [sample.time_s for sample in plant.of("p")]
        assert (times[-1] - times[0]) % 5.0 == pytest.approx(0, abs=1e-3)  # back on its own grid
        with pytest.raises(KeyError):
            plant.acquisition.burst("nobody", 0.0)

    run(kit, scenario, lines={"a": TCP}, probes=probes)


def test_a_burst_starts_within_a_second_even_at_long_periods(kit):
    async def scenario(plant):
        await plant.clock.advance(3601.0)
        before = len(plant.samples)
        plant.acquisition.burst("p", plant.clock.monotonic() + 60.0)
        await plant.clock.advance(1.1)
        assert before < len(plant.samples) <= before + 2

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a", "period_s": 3600.0}})


def test_a_burst_slower_than_the_poll_changes_nothing(kit):
    async def scenario(plant):
        plant.acquisition.burst("p", plant.clock.monotonic() + 60.0)
        await plant.clock.advance(30.0)
        assert len(plant.samples) == 60

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a", "period_s": 0.5}})


def test_feeds_are_polled_like_probes_and_handed_on_apart(kit):
    maps = {"m": {"signals": {"o2": {"address": 1}}}, "boiler": {"signals": {"load": {"address": 7, "scale": 0.1}}}}

    async def scenario(plant):
        await plant.clock.advance(30.0)
        assert {sample.probe for sample in plant.samples} == {"p"}
        assert {sample.probe for sample in plant.fed} == {"steam"}
        assert len(plant.fed) == 3
        assert plant.fed[0].values == {"load": pytest.approx(0.7)}

    run(
        kit,
        scenario,
        lines={"a": TCP, "b": TCP},
        probes={"p": {"line": "a", "feeds": ["steam"]}},
        feeds={"steam": {"line": "b", "map": "boiler", "period_s": 10.0}},
        maps=maps,
    )


def test_only_a_sampled_relay_is_dithered_and_never_drifts(kit):
    maps = {"m": {"signals": {"heater_on": {"table": "coil", "address": 1}}}, "n": {"signals": {"o2": {"address": 1}}}}

    async def scenario(plant):
        await plant.clock.advance(1500.0)
        for probe, spread in (("p", True), ("q", False)):
            times = [sample.time_s for sample in plant.of(probe)]
            assert len(times) in (300, 301)
            gaps = {round(b - a, 3) for a, b in itertools.pairwise(times)}
            assert (len(gaps) > 150) is spread

    run(
        kit,
        scenario,
        lines={"a": TCP, "b": TCP},
        probes={"p": {"line": "a"}, "q": {"line": "b", "map": "n"}},
        maps=maps,
    )


# --- faults of our own ---


def test_a_fault_on_one_line_is_told_and_never_ends_another(kit):
    async def scenario(plant):
        def broken(*_):
            raise ZeroDivisionError("a bug")

        plant.wires["a"].behave = broken
        await plant.clock.advance(60.0)
        assert len(plant.of("q")) == 12
        assert plant.counters.at("line_failed", "a") >= 3
        assert plant.log.events("line_failed")[0]["line"] == "a"
        plant.wires["a"].behave = lambda unit, table, first, count: tuple(range(count))
        await plant.clock.advance(30.0)
        assert plant.of("p")[-1].values

    run(kit, scenario, lines={"a": TCP, "b": TCP}, probes={"p": {"line": "a"}, "q": {"line": "b"}})


def test_a_map_that_cannot_be_read_names_the_probe_and_the_address(kit):
    maps = {"m": {"signals": {"cell_emf": {"address": 7, "type": "float32"}}, "max_registers": 1}}
    with pytest.raises(ValueError, match=r"probes\.p with maps\.m: the value at holding 7 takes 2 registers"):
        Plant(kit, lines={"a": TCP}, probes={"p": {"line": "a"}}, maps=maps)
    with pytest.raises(ValueError, match=r"probes\.p .*outside 0\.\.65535 \(is address_shift right\?\)"):
        Plant(kit, lines={"a": TCP}, probes={"p": {"line": "a", "address_shift": -50}})


def test_links_tell_of_every_line_and_unit(kit):
    async def scenario(plant):
        await plant.clock.advance(6.0)
        assert [(link.line, link.unit, link.reason) for link in plant.acquisition.links()] == [
            ("a", None, None), ("a", 1, None), ("a", 9, None)]  # fmt: skip

    run(kit, scenario, lines={"a": TCP}, probes={"p": {"line": "a"}, "q": {"line": "a", "unit": 9}})
