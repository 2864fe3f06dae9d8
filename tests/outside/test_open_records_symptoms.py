"""Real records under the detectors of the reading itself (FLUEWARD_OPEN_DATA); skipped where the folder is not at hand.

Origins: Logan River Observatory (river_sensors, BSD-3-Clause; technicians' marks), a coal-fired unit's flue gas
(coal_boiler_o2), NIST cone-calorimeter data base (exhaust_o2_bench). What came out on 2026-11-25 stands in each test.
"""

import csv
import gzip
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from detectors.finding import Finding
from detectors.reading_frozen import ReadingFrozen, ReadingFrozenSettings
from detectors.reading_noisy import ReadingNoisy, ReadingNoisySettings
from detectors.reads_air_while_firing import ReadsAirWhileFiring
from tests import asked

FOLDER = Path(asked.OPEN_DATA or "/nowhere")
pytestmark = pytest.mark.skipif(not asked.OPEN_DATA, reason="FLUEWARD_OPEN_DATA is not set")

Floats = NDArray[np.float64]
HOUR, DAY = 3600.0, 86400.0


def table(path: Path, time: str | None = None) -> dict[str, Floats]:
    if not path.exists():
        pytest.skip(f"{path.name} is not in FLUEWARD_OPEN_DATA")
    with gzip.open(path, "rt", newline="") if path.suffix == ".gz" else path.open(newline="") as file:
        reader = csv.reader(file)
        names, rows = next(reader), list(reader)
    out = {}
    for j, name in enumerate(names):
        if name == time:
            stamps = (datetime.fromisoformat(row[j]).replace(tzinfo=UTC) for row in rows)
            out[name] = np.array([stamp.timestamp() for stamp in stamps])
        elif not name.endswith(("_cor", "_qual")):
            out[name] = np.array([float(row[j]) if row[j] else np.nan for row in rows])
    return out


def frozen(detector: ReadingFrozen, time_s: Floats, reading: Floats, *others: Floats) -> list[Finding]:
    n = time_s.size
    names = ("cell_emf_mv", "cell_temp_c", "head_temp_c", "duty", "counter", "flue_temp_c", "load_pct")
    columns = dict.fromkeys(names, np.full(n, np.nan)) | dict(zip(names, others, strict=False))
    return detector.update(time_s=time_s, o2_pct=reading, live=np.ones(n, bool), **columns)


def test_real_freezes_of_river_sondes_are_found_and_their_healthy_flats_are_not() -> None:
    """48 records, 36 channel-years: every freeze of a day or more found, in oxygen within 7 h, no healthy flat.

    One event more than the list of long runs: Mendon on 2019-03-21, all channels at once for 8.5 h. pH with its 0.01
    resolution stands still for up to 12.75 h in health and is not taken for frozen either.
    """
    files = sorted((FOLDER / "river_sensors").glob("*20*.csv.gz"))
    if not files:
        pytest.skip("river_sensors is not in FLUEWARD_OPEN_DATA")
    found: dict[tuple[str, str], list[Finding]] = {}
    years = 0.0
    for path in files:
        data = table(path, "datetime")
        time_s = data.pop("datetime")
        clean = {k: np.where((v == -9999.0) | (v == 7999.0) | (v == 0.0), np.nan, v) for k, v in data.items()}
        for channel in ("do", "ph", "cond"):
            others = [clean[name] for name in clean if name != channel]
            known = np.isfinite(clean[channel])
            years += np.count_nonzero(known) * 900.0 / (365.25 * DAY)
            events = [f for f in frozen(ReadingFrozen(), time_s, clean[channel], *others) if f.active]
            if events:
                found[path.name.removesuffix(".csv.gz"), channel] = events
    assert years > 30.0
    with (FOLDER / "river_sensors" / "flat_runs_derived.csv").open(newline="") as file:
        real = [row for row in csv.DictReader(file) if row["kind"] == "other" and float(row["hours"]) >= 24.0]
    # A temperature run of these is a sentinel's; oxygen, pH and conductance freeze at once.
    real = [row for row in real if row["channel"] in ("do", "ph", "cond")]
    assert len(real) >= 8
    for row in real:
        start_s = datetime.fromisoformat(row["start"]).replace(tzinfo=UTC).timestamp()
        one = [
            f for f in found[row["series"], row["channel"]] if f.since_s is not None and abs(f.since_s - start_s) < HOUR
        ]
        assert len(one) == 1, row
        assert one[0].facts["stale"] is True, "the whole logger stood still"
        if row["channel"] == "do":
            assert one[0].at_s - start_s <= 7.0 * HOUR
    assert {series for series, _ in found} == {"BlackSmithFork2015", "Mendon2019"}
    assert sum(map(len, found.values())) <= len(real) + 2


@pytest.mark.parametrize("channel", ["o2_a_pct", "o2_b_pct"])
def test_flue_gas_of_a_coal_fired_unit_is_neither_frozen_nor_noisy_nor_air(channel: str) -> None:
    """85 days of two ducts at 10 min: nothing found; 0.14 and 0.16 % O2 a step learnt over windows of a day."""
    data = table(FOLDER / "coal_boiler_o2" / "boiler.csv", "time")
    time_s, o2 = data["time"], data[channel]
    n, load = time_s.size, 100.0 * data["gross_mw"] / data["gross_mw"].max()
    assert frozen(ReadingFrozen(), time_s, o2, np.full(n, np.nan), data["gas_in_a_degf"]) == []
    daily = ReadingNoisySettings(window_s=DAY, learn_windows=6)
    for covariate in (load, np.full(n, np.nan)):
        detector = ReadingNoisy(daily)
        assert detector.update(time_s, o2, covariate, np.ones(n)) == []
        assert all(0.1 < usual[0] < 0.2 for usual in detector.state.baselines.values())
        assert detector.state.baselines
    # The same with 1.5 % O2 of noise from day 60 on is found.
    late = time_s > time_s[0] + 60.0 * DAY
    noisy = o2 + np.where(late, np.random.default_rng(0).normal(0.0, 1.5, n), 0.0)
    assert any(f.active for f in ReadingNoisy(daily).update(time_s, noisy, load, np.ones(n)))
    nothing = np.zeros(n)
    assert ReadsAirWhileFiring().update(time_s, o2, np.full(n, np.nan), load, nothing, nothing) == []


def test_a_bench_analyser_at_1_s_is_neither_frozen_nor_noisy_and_reads_air_only_when_it_is_air() -> None:
    """121 h in 440 tests: no frozen run, no noisy window; near air for ten minutes in 4 tests, at 20.9 % each time."""
    data = table(FOLDER / "exhaust_o2_bench" / "o2_1s.csv.gz")
    still = ReadingFrozen(ReadingFrozenSettings(learn_s=DAY))
    noisy = ReadingNoisy(ReadingNoisySettings(window_s=300.0, pace_s=1.0))
    air = ReadsAirWhileFiring()
    found, airs, from_s = [], [], 1.6e9
    for number in np.unique(data["test"]):
        part = data["test"] == number
        time_s, o2 = from_s + data["t_s"][part], data["o2_pct"][part]
        from_s = float(time_s[-1]) + 2.0 * HOUR
        n = time_s.size
        found += frozen(still, time_s, o2, np.arange(float(n)))
        found += noisy.update(time_s, o2, np.full(n, np.nan), np.ones(n))
        airs += [
            f for f in air.update(time_s, o2, np.ones(n), np.full(n, np.nan), np.zeros(n), np.zeros(n)) if f.active
        ]
    assert found == []
    assert still.limit_s == 900.0  # equal neighbours come three in a row at most
    assert len(airs) <= 6
    assert all(f.value is not None and f.value > 20.5 for f in airs)
