"""Real records, where the folder with them is at hand (FLUEWARD_OPEN_DATA); skipped where it is not.

Origins: NIST cone-calorimeter data base (exhaust_o2_bench), NIST enclosure fire tests (oven_rods), a teaching
temperature-control lab on GitHub (heater_steps, Apache-2.0).
"""

import csv
import gzip
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from detectors.probe.gas_exchange import fit_recovery
from detectors.probe.settled import settled_value
from detectors.stats.exponential import fit_decays
from tests import asked

FOLDER = asked.OPEN_DATA
pytestmark = pytest.mark.skipif(not FOLDER, reason="FLUEWARD_OPEN_DATA is not set")

Columns = dict[str, NDArray[np.float64]]


def table(name: str) -> Columns:
    path = Path(FOLDER) / name
    if not path.exists():
        pytest.skip(f"{name} is not in FLUEWARD_OPEN_DATA")
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) if row[key] else np.nan for row in rows]) for key in rows[0]}


def steps_of(data: Columns, drive: str) -> list[tuple[int, int]]:
    """(Index of a duty step, index of the next or the end)."""
    starts = np.flatnonzero(np.diff(data[drive]) != 0) + 1
    return list(zip(starts.tolist(), [*starts[1:].tolist(), data[drive].size], strict=True))


def test_one_heater_gives_like_time_constants_step_after_step() -> None:
    taus = []
    for name, temp, drive in (
        ("heater_steps/one_heater_steps.csv", "temp_k", "drive"),
        ("heater_steps/one_heater_steps_degf.csv", "temp_degf", "drive"),
    ):
        data = table(name)
        for start, end in steps_of(data, drive):
            if data["t_s"][end - 1] - data["t_s"][start] < 150:
                continue  # under 1.2 time constants: worth nothing
            part = slice(start + 25, end)  # after the dead time
            fit = fit_decays(data["t_s"][part], data[temp][part])
            assert fit.accepted, fit.why_not
            taus.append(1 / fit.rates[0])
    assert len(taus) == 5
    assert np.median(taus) == pytest.approx(139.0, rel=0.15)  # 120 to 154 s, up and down 15 to 20 % apart
    assert max(taus) / min(taus) < 1.45


def test_windows_of_one_or_two_time_constants_are_refused_rather_than_extrapolated() -> None:
    data = table("heater_steps/one_heater_steps.csv")
    for start, end in steps_of(data, "drive"):
        part = slice(max(start - 20, 0), end)
        # Any first-order return will do; the scale makes 50 K a step of 5 %.
        fit = fit_recovery(data["t_s"][part], data["temp_k"][part] / 1000, start_s=float(data["t_s"][start - 1]))
        assert not fit.accepted


def test_a_longer_window_tells_the_time_constant_within_its_uncertainty() -> None:
    data = table("heater_steps/one_heater_steps_degf.csv")
    start, end = steps_of(data, "drive")[-1]  # 345 s, 2.3 time constants
    part = slice(start - 20, end)
    fit = fit_recovery(data["t_s"][part], data["temp_degf"][part] / 1000, start_s=float(data["t_s"][start - 1]))
    assert abs(fit.tau_s - 140.0) < 2 * fit.tau_u_s
    assert fit.dead_time_s == pytest.approx(18.0, abs=8.0)  # 12 to 24 s


def test_a_free_floor_on_a_cooling_oven_is_worthless_and_a_known_one_is_not() -> None:
    data = table("oven_rods/oven2.csv")
    time, temp = data["t_min"] * 60, data["al_1in_c"]
    cooling = time > time[int(np.nanargmax(temp))] + 600
    hours = [cooling & (time < time[cooling][0] + minutes * 60) for minutes in (90, 180, 280)]
    free = [fit_decays(time[part], temp[part]) for part in hours]
    fixed = [fit_decays(time[part], temp[part], floor=24.0) for part in hours]  # the room
    assert all(fit.floor - 24.0 > 20.0 for fit in free)  # K off, with a stated uncertainty below 1 K
    assert all(fit.u_floor < 1.0 for fit in free)
    assert [1 / fit.rates[0] for fit in fixed] == pytest.approx([10000.0] * 3, rel=0.1)


def test_room_air_before_and_after_a_test_settles_at_room_air() -> None:
    tests = table_of_tests()
    records = oxygen_records()
    found, before = {}, {}
    for number, row in tests.items():
        time, o2 = records[number]
        if row["o2_air_before_pct"]:
            early = time < min(float(row["ignition_s"] or 60), 60)
            settled = settled_value(
                time[early],
                o2[early],
                skip_s=0,
                flat_limit_per_min=0.02,
                min_window_s=15,
                temp_band_c=1,
                resolution=1e-5,
            )
            if settled.accepted:
                before[number] = settled.value - float(row["o2_air_before_pct"])
        if row["flameout_s"]:
            late = time > float(row["flameout_s"]) + 120
            settled = settled_value(
                time[late],
                o2[late],
                skip_s=60,
                flat_limit_per_min=0.01,
                min_window_s=120,
                temp_band_c=1,
                resolution=1e-5,
            )
            if settled.accepted and settled.value > 20.5:
                found[number] = settled.value
    assert len(before) > 60
    assert np.median(np.abs(list(before.values()))) < 0.003  # % O2 of their own reading
    assert np.max(np.abs(list(before.values()))) < 0.02
    assert len(found) > 30
    healthy = [value for number, value in found.items() if number != 430]
    assert np.median(healthy) == pytest.approx(20.953, abs=0.006)  # year means 20.949 to 20.961


def table_of_tests() -> dict[int, dict[str, str]]:
    path = Path(FOLDER) / "exhaust_o2_bench/tests.csv"
    if not path.exists():
        pytest.skip("exhaust_o2_bench is not in FLUEWARD_OPEN_DATA")
    with path.open(newline="") as file:
        return {int(row["test"]): row for row in csv.DictReader(file)}


def oxygen_records() -> dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    with gzip.open(Path(FOLDER) / "exhaust_o2_bench/o2_1s.csv.gz", "rt") as file:
        data = np.loadtxt(file, delimiter=",", skiprows=1, usecols=(0, 1, 2))
    numbers, firsts = np.unique(data[:, 0].astype(int), return_index=True)
    ends = [*firsts[1:].tolist(), data.shape[0]]
    return {
        int(number): (data[first:end, 1], data[first:end, 2])
        for number, first, end in zip(numbers, firsts.tolist(), ends, strict=True)
    }
