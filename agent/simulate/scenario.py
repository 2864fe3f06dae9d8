"""The stories: which probe has what, drawn by the seed within what is plausible."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.config.model import Settings
from agent.simulate.episodes import Kind, Stage, Timetable
from agent.simulate.faults import (
    DAY_S,
    CalibrationJump,
    ColdStart,
    Decoy,
    Fault,
    FilterClosing,
    HeaterAgeing,
    HeaterOpen,
    LoadRegime,
    OffsetDrift,
    OffsetRunaway,
    Shutdown,
    Silent,
    SupplySag,
)
from agent.simulate.parameters import ProbeParameters

__all__ = ["COUNTED_MAPS", "Draw", "Drawn", "draw_demo", "draw_season"]

HOUR_S = 3600.0
COUNTED_MAPS: Final = frozenset({"scaled_words"})

AIR_CHECK: Final = (Stage(kind=Kind.AIR_CHECK, lasts_s=180.0),)
SHORT_AIR_CHECK: Final = (Stage(kind=Kind.AIR_CHECK, lasts_s=50.0),)  # 15 s to purge, and still half a minute flat
BLOWBACK: Final = (Stage(kind=Kind.BLOWBACK, lasts_s=20.0),)
SHORT_BLOWBACK: Final = (Stage(kind=Kind.BLOWBACK, lasts_s=10.0),)
TEST_GASES: Final = (
    Stage(kind=Kind.TEST_GAS, lasts_s=180.0, o2_frac=0.08),
    Stage(kind=Kind.TEST_GAS, lasts_s=180.0, o2_frac=0.02),
)

# When each probe is checked, counted from the start of live: the first of each lies within the demo's first minutes
# for a few, the rest is spread over the day. Two timetables of one probe keep an hour apart, but for a repeated check.
TIMETABLES: Final[Mapping[str, tuple[tuple[float, int, tuple[Stage, ...]], ...]]] = {
    # The check that finds the cell far off is repeated by hand: one alone proves little where they are daily.
    "econ_east": (
        (8.0, 1, SHORT_AIR_CHECK),
        (5.0 * HOUR_S, 28, TEST_GASES),
        (85.0, 10_000, SHORT_AIR_CHECK),
    ),
    "econ_west": ((240.0, 1, AIR_CHECK), (6.2 * HOUR_S, 28, TEST_GASES)),
    "duct_north": ((5.0, 1, SHORT_BLOWBACK), (7.1 * HOUR_S, 7, AIR_CHECK)),
    "duct_mid": ((2.3 * HOUR_S, 1, BLOWBACK),),
    "duct_south": ((95.0, 1, BLOWBACK), (4.4 * HOUR_S, 7, AIR_CHECK)),
    "grid_left": ((9.5 * HOUR_S, 1, AIR_CHECK),),
    "stack_low": ((3.2 * HOUR_S, 1, BLOWBACK), (11.7 * HOUR_S, 7, AIR_CHECK)),
    "stack_high": ((13.4 * HOUR_S, 2, AIR_CHECK),),
    "bypass_one": ((15.6 * HOUR_S, 1, BLOWBACK),),
    "bypass_two": ((16.1 * HOUR_S, 1, BLOWBACK),),
}
TAU_S: Final = {"duct_north": (5.2, 6.2)}  # clean; quick, so that in the demo a closing filter is judged in a minute


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """One probe as the seed made it."""

    parameters: ProbeParameters
    timetables: tuple[Timetable, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One plant as the seed made it."""

    week_from_s: float
    probes: Mapping[str, Drawn]
    faults: tuple[Fault, ...]
    boiler_decoys: tuple[Decoy, ...]
    jumps: tuple[CalibrationJump, ...]
    later: tuple[Fault, ...] = ()


def draw_demo(rng: np.random.Generator, settings: Settings, from_s: float, live_s: float) -> Draw:
    """Three faults that the demo shows, the other probes healthy among decoys."""
    probes = _probes(rng, settings, live_s)
    sign = 1.0 if rng.random() < 0.5 else -1.0
    faults: tuple[Fault, ...] = (
        # a day earlier it is a seventh to a tenth of this: nobody's business yet
        OffsetRunaway(
            probe="econ_east",
            reached_s=live_s + 30.0,
            mv=sign * rng.uniform(6.2, 7.4),
            e_fold_days=rng.uniform(0.42, 0.50),
        ),
        # a fall of slag between the blowbacks of three and of two days ago
        FilterClosing(
            probe="duct_north",
            onset_s=live_s - rng.uniform(2.4, 2.7) * DAY_S,
            factor=rng.uniform(2.65, 3.05),
            over_days=0.3,
            then_per_day=0.02,
        ),
        HeaterAgeing(
            probe="duct_mid", onset_s=live_s - rng.uniform(52.0, 62.0) * DAY_S, per_day=rng.uniform(0.0032, 0.0044)
        ),
    )
    later: tuple[Fault, ...] = (
        Silent(probe="stack_low", onset_s=live_s + 180.0),
        HeaterOpen(probe="duct_south", onset_s=live_s + 900.0),
    )
    return Draw(
        week_from_s=_week_from_s(rng, live_s),
        probes=probes,
        faults=faults,
        boiler_decoys=_boiler_decoys(rng, from_s, live_s, until_days=6.0),
        jumps=_jumps(rng, probes, from_s, live_s),
        later=later,
    )


def draw_season(rng: np.random.Generator, settings: Settings, from_s: float, live_s: float) -> Draw:
    """Six faults, each of another kind and on another probe, with onsets in the middle of history; the rest healthy."""
    probes = _probes(rng, settings, live_s)
    blown = [name for name, rows in TIMETABLES.items() if rows[0][2] in (BLOWBACK, SHORT_BLOWBACK)]
    checked = [name for name in TIMETABLES if name not in blown]
    rng.shuffle(blown)
    rng.shuffle(checked)
    days = (live_s - from_s) / DAY_S
    clamped = settings.maps[settings.probes[checked[0]].map].conventions.o2_clamp is not None

    def onset(first: float, last: float) -> float:
        return from_s + rng.uniform(first, last) * days * DAY_S

    open_s, cut_s, dead_s = onset(0.4, 0.8), onset(0.3, 0.7), onset(0.4, 0.8)
    faults: tuple[Fault, ...] = (
        FilterClosing(
            probe=blown[0],
            onset_s=onset(0.4, 0.6),
            factor=rng.uniform(2.5, 3.5),
            over_days=rng.uniform(4.0, 0.3 * days + 4.0),
        ),
        HeaterAgeing(probe=blown[1], onset_s=onset(0.35, 0.5), per_day=rng.uniform(0.25, 0.45) / days),
        OffsetDrift(
            probe=checked[0],
            onset_s=onset(0.35, 0.55),
            # reading ever higher in air, a clamped display would hide it
            mv_per_day=(1.0 if clamped or rng.random() < 0.5 else -1.0) * rng.uniform(14.0, 24.0) / days,
        ),
        HeaterOpen(probe=checked[1], onset_s=open_s, until_s=open_s + rng.uniform(3.0, 20.0) * HOUR_S),
        Silent(probe=blown[2], onset_s=dead_s, until_s=dead_s + rng.uniform(0.5, 30.0) * HOUR_S),
        ColdStart(probe=checked[2], onset_s=cut_s, until_s=cut_s + rng.uniform(1.0, 5.0) * HOUR_S),
    )
    return Draw(
        week_from_s=_week_from_s(rng, live_s),
        probes=probes,
        faults=faults,
        boiler_decoys=_boiler_decoys(rng, from_s, live_s, until_days=2.0),
        jumps=_jumps(rng, probes, from_s, live_s),
    )


def _week_from_s(rng: np.random.Generator, live_s: float) -> float:
    """The plant's own clock: live begins on a working day between half past nine and three, at a level load."""
    weekday, hour = int(rng.integers(1, 4)), rng.uniform(9.5, 15.0)
    return live_s - weekday * DAY_S - hour * HOUR_S


def _probes(rng: np.random.Generator, settings: Settings, live_s: float) -> dict[str, Drawn]:
    groups = {group: int(rng.integers(1 << 17)) for group in ("panel_1", "panel_2", "panel_3")}
    found = {}
    for probe_id, probe in settings.probes.items():
        conventions = settings.maps[probe.map].conventions
        group = probe.supply_group or ""
        offset_mv = rng.uniform(-0.25, 0.25)
        slope = rng.uniform(0.985, 1.005)
        found[probe_id] = Drawn(
            parameters=ProbeParameters(
                tau_s=rng.uniform(*TAU_S.get(probe_id, (5.6, 7.8))),
                tau_scatter=rng.uniform(0.02, 0.06),
                cell_offset_mv=offset_mv,
                offset_scatter_mv=rng.uniform(0.03, 0.09),
                cell_slope=slope,
                stored_offset_mv=round(offset_mv + rng.normal(0.0, 0.1), 2),
                stored_slope=round(slope + rng.normal(0.0, 0.002), 3),
                emf_noise_mv=rng.uniform(0.02, 0.05),
                resistance_ohm=rng.uniform(500.0, 560.0),
                moving_w_per_k=rng.uniform(0.038, 0.052),
                stem_w_per_k=rng.uniform(0.026, 0.034),
                duty_noise=rng.uniform(0.004, 0.010),
                o2_bias_pct=rng.normal(0.0, 0.2),
                o2_own_sd_pct=rng.uniform(0.20, 0.34),
                head_over_ambient_c=rng.uniform(22.0, 36.0),
                reference_is_damp=probe.reference_air.kind == "ambient",
                holds_o2=conventions.o2_during_checks == "held",
                damping_s=conventions.o2_damping_s,
                o2_clamp_pct=conventions.o2_clamp,
                nominal_v=probe.nominal_voltage,
                relay_cycle_s=conventions.heater_cycle_s or ProbeParameters().relay_cycle_s,
                noise_offset=int(rng.integers(1 << 17)),
                supply_group=group,
                supply_offset=groups[group],
            ),
            timetables=tuple(
                Timetable(anchor_s=live_s + after_s, every_days=days, stages=stages)
                for after_s, days, stages in TIMETABLES[probe_id]
            ),
        )
    return found


def _instant(rng: np.random.Generator, first_s: float, last_s: float) -> float:
    """An instant between two; one before the first where the last is, for the caller to drop."""
    return first_s + (last_s - first_s) * rng.random()


def _boiler_decoys(rng: np.random.Generator, from_s: float, live_s: float, *, until_days: float) -> tuple[Decoy, ...]:
    """A week at low load, one at high, a sagging supply, a stop; none near the end, nor where history is too short."""
    found: list[LoadRegime | SupplySag | Shutdown] = []
    for by_pct, lasts_days in ((-rng.uniform(8, 16), 6.0), (rng.uniform(6, 12), 5.0)):
        start = _instant(rng, from_s, live_s - (lasts_days + until_days) * DAY_S)
        found.append(LoadRegime(from_s=start, to_s=start + lasts_days * DAY_S, by_pct=by_pct))
    start = _instant(rng, from_s, live_s - (5.0 + until_days) * DAY_S)
    group = str(rng.choice(["panel_1", "panel_2"]))  # whose transmitters measure their supply, or mostly
    found.append(SupplySag(group=group, from_s=start, to_s=start + 5.0 * DAY_S, by_frac=rng.uniform(0.05, 0.08)))
    start = _instant(rng, from_s + 0.25 * (live_s - from_s), live_s - (3.0 + until_days) * DAY_S)
    found.append(Shutdown(from_s=start, to_s=start + rng.uniform(20.0, 44.0) * HOUR_S))
    return tuple(decoy for decoy in found if decoy.from_s >= from_s)


def _jumps(
    rng: np.random.Generator, probes: Mapping[str, Drawn], from_s: float, live_s: float
) -> tuple[CalibrationJump, ...]:
    """Somebody calibrates a healthy probe, and a little wrong: the stored offset moves by up to 1.2 mV."""
    stored = probes["econ_west"].parameters.stored_offset_mv
    moved = round(stored + (-1.0 if rng.random() < 0.5 else 1.0) * rng.uniform(0.6, 1.2), 2)
    at_s = _instant(rng, from_s, live_s - 5 * DAY_S)
    if at_s < from_s:  # too short a history
        return ()
    return (CalibrationJump(probe="econ_west", at_s=at_s, from_offset_mv=stored, to_offset_mv=moved),)
