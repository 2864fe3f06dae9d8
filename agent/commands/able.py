"""Which detectors can work at a probe with what is mapped, and what each of them would need."""

from dataclasses import dataclass

from agent.config.model import RegisterMap, Settings
from agent.reconstruct.cell import Cell
from agent.reconstruct.heater import DutySource, duty_source
from agent.watcher import ProbeWatcher
from detectors.finding import Watch

__all__ = ["Able", "able"]

_BETTER = {
    "heater_duty_creep": ("supply_voltage", "load", "flue_temp"),
    "slow_recovery": ("load", "flue_temp"),
}
_NEED_CELL = ("cell_offset_drift", "slow_recovery")
_CHECK_FLAGS = ("air_check_active", "calibrating", "blowback_active", "furnace_purge_active")


@dataclass(frozen=True, slots=True)
class Able:
    """`can`: it works once the plant gives it what it waits for. `needs`: else what the map or the transmitter lacks.

    `waits_for`: what must happen at the plant first. `better_with`: signals that are not mapped and would help.
    """

    can: bool
    needs: str = ""
    waits_for: str = ""
    better_with: tuple[str, ...] = ()


def able(settings: Settings, probe_id: str) -> dict[str, Able]:
    """Each detector of one probe. Raises ValueError for options that a detector refuses."""
    watcher = ProbeWatcher(settings, probe_id)
    register_map = settings.maps[settings.probes[probe_id].map]
    found: dict[str, Able] = {}
    for symptom, report in sorted(watcher.reports().items()):
        lacks = _lacks(symptom, register_map, watcher.mapped)
        if lacks:
            found[symptom] = Able(can=False, needs=lacks)
            continue
        waits = report.needs if report.watch is not Watch.WATCHING else ""
        if symptom in _NEED_CELL and not any(flag in watcher.mapped for flag in _CHECK_FLAGS):
            waits = f"{waits}; no flag of one is mapped, so it must be recognised from the gas and is only presumed"
        better = tuple(name for name in _BETTER.get(symptom, ()) if name not in watcher.mapped)
        found[symptom] = Able(can=True, waits_for=waits, better_with=better)
    return found


def _lacks(symptom: str, register_map: RegisterMap, mapped: frozenset[str]) -> str:
    """What stands in the way whatever happens at the plant; empty where nothing does."""
    if symptom.startswith("heater_") and duty_source(mapped, register_map.conventions) is DutySource.NONE:
        return "heater_on_time, heater_on, or a heater_output whose meaning the map states"
    if symptom == "heater_open" and "cell_temp" not in mapped:
        return "cell_temp"
    if symptom not in _NEED_CELL:
        return ""
    cell = Cell(register_map)
    if not cell.emf_measured and "o2" not in mapped:
        return "cell_emf, or o2"
    if "cell_temp" not in mapped:
        return "cell_temp"
    if cell.held_in_checks:
        shown = "cell_emf" if cell.emf_measured else "o2"
        return f"a cell_emf that stays live in checks: {shown} is held then"
    if symptom == "cell_offset_drift" and not cell.emf_measured and cell.conventions.o2_basis == "dry":
        return "cell_emf: o2 is corrected to dry gas"
    return ""
