"""The transmitter's registers: which there are, how fine they are, and the settings that say so."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from agent.config.load import from_tables
from agent.config.model import Settings
from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import Floats
from tests.benchmarks.evaluation.probe_plan import ProbePlan
from tests.benchmarks.evaluation.unit_plan import UnitPlan

__all__ = ["Registers", "draw_registers", "make_settings"]

_ENDS = {"int16": (-32768, 32767), "uint16": (0, 65535), "uint32": (0, 2**32 - 1)}


@dataclass(slots=True)
class Registers:
    """A map in the configuration's words, and how each analog signal is rounded."""

    tables: dict[str, Any] = field(default_factory=dict)
    words: dict[str, Any] = field(default_factory=dict)
    next_address: int = 0
    steps: dict[str, tuple[str, float]] = field(default_factory=dict)

    def analog(self, name: str, step: float, kind: str = "int16", **more: Any) -> None:
        """A scaled integer, or a float where `step` is 0."""
        wide = 2 if kind in ("uint32", "float32") else 1
        said: dict[str, Any] = {"address": self.next_address, "type": kind, **more}
        if kind != "float32" and step != 1.0:
            said["scale"] = step
        self.tables[name] = said
        self.steps[name] = (kind, step)
        self.next_address += wide

    def flag(self, name: str) -> None:
        """One coil."""
        self.tables[name] = {"table": "coil", "address": len(self.tables)}
        self.steps[name] = ("flag", 1.0)

    def shown(self, name: str, value: Floats) -> Floats:
        """What the register says of `value`: rounded, and at its end where it has one."""
        kind, step = self.steps[name]
        if kind == "flag":
            return value
        if kind == "float32":
            return value.astype(np.float32).astype(np.float64)
        low, high = _ENDS[kind]
        return np.asarray(np.clip(np.rint(value / step), low, high) * step)


def draw_registers(plan: ProbePlan, draw: Draw) -> tuple[Registers, Registers]:
    """The transmitter's map, and that of the unit's controls."""
    own, unit = Registers(), Registers()
    floats = draw.chance(0.2)
    if floats and plan.o2_step < 0.02:
        own.analog("o2", 0.0, "float32")
    else:
        own.analog("o2", plan.o2_step, "uint16" if plan.o2_step * 65535 > plan.clamp[1] else "uint32")
    have = set(plan.signals)
    for name, step in {
        "cell_emf": plan.emf_step, "cell_temp": draw.one(0.1, 0.1, 1.0), "cell_temp_setpoint": 0.1,
        "head_temp": draw.one(0.1, 0.5, 1.0), "supply_voltage": draw.one(0.1, 0.1, 1.0), "stored_offset": 0.01,
        "stored_slope": draw.one(0.1, 0.01),
    }.items():  # fmt: skip
        if name == "cell_temp" or name in have:
            own.analog(name, 0.0 if floats else step, "float32" if floats else "int16")
    _heater(own, plan, draw)
    if "heater_current" in have:
        own.analog("heater_current", 0.001 if plan.full_w < 400 else 0.01)
    if plan.flags == "bits":
        for name in ("air_check_active", "test_gas_active", "blowback_active", "output_held", "warming_up", "fault"):
            if name.startswith(("air", "test", "blow")) or name in have:
                own.flag(name)
    elif plan.flags == "word":
        own.words["phase"] = {
            "address": own.next_address + 50,
            "values": {
                "0": [], "1": ["warming_up"], "2": ["air_check_active"], "3": ["test_gas_active"],
                "4": ["blowback_active"],
            },
        }  # fmt: skip
    for name in plan.feeds:
        if name == "firing":
            unit.flag(name)
        else:
            unit.analog(name, draw.one(0.1, 0.1, 1.0))
    return own, unit


def _heater(own: Registers, plan: ProbePlan, draw: Draw) -> None:
    kind = plan.heater_signal
    if kind in ("duty", "phase_angle", "unknown"):
        own.analog("heater_output", draw.one(0.1, 0.1, 0.01, 1.0))
    elif kind == "relay":
        own.flag("heater_on")
    elif kind in ("counter", "rated_energy"):
        if draw.chance(0.5):
            own.analog("heater_on_time", 1.0, "uint16", wraps_at=65536.0)
        else:
            own.analog("heater_on_time", 1.0, "uint32", wraps_at=4294967296.0)
    else:
        own.analog("heater_energy", draw.one(0.1, 1.0, 1.0), "uint32")


def make_settings(
    probes: dict[str, tuple[ProbePlan, Registers]], unit: UnitPlan, feed: Registers, number: int, draw: Draw
) -> Settings:
    """The configuration of one probe or a pair of twins, as an engineer who knows the transmitters would write it."""
    tables: dict[str, Any] = {
        "site": "heronsgate",  # invented
        "agent": "bench",
        "data_dir": "data",
        "lines": {"duct": {"kind": "tcp", "host": "192.0.2.7"}, "controls": {"kind": "tcp", "host": "192.0.2.8"}},
        "maps": {},
        "probes": {},
    }
    if feed.tables:
        plan = next(iter(probes.values()))[0]
        tables["maps"]["controls"] = {"signals": feed.tables}
        tables["feeds"] = {"unit": {"line": "controls", "map": "controls", "period_s": plan.feed_period_s}}
    for i, (name, (plan, own)) in enumerate(probes.items()):
        tables["maps"][f"kind{i}"] = _map(plan, own)
        said: dict[str, Any] = {
            "line": "duct", "unit": i + 1, "map": f"kind{i}", "period_s": plan.period_s,
            "nominal_voltage": unit.nominal_v, "used_by_trim": draw.chance(0.5),
            "reference_air": _air(plan.reference, unit, draw), "check_air": _air(plan.check_air, unit, draw),
            "test_gases": [{"o2": o2} for o2 in plan.bottles],
        }  # fmt: skip
        if plan.burst_s > 0.0:
            said["burst_period_s"] = plan.burst_s
        elif plan.period_s > 1.0:
            said["burst_period_s"] = plan.period_s
        if draw.chance(0.5) or plan.heater_signal == "rated_energy":
            said["heater"] = {"rated_voltage": unit.nominal_v, "rated_power": round(plan.full_w)}
        if feed.tables:
            said["feeds"] = ["unit"]
        if len(probes) > 1:
            said["twins"] = [other for other in probes if other != name]
        if draw.chance(0.5):
            said["barometric_kpa"] = round(unit.barometric_kpa, 1)
        tables["probes"][name] = said
    return from_tables(tables, Path(f"/nowhere/case{number}.toml"), environ={}).settings


def _map(plan: ProbePlan, own: Registers) -> dict[str, Any]:
    said: dict[str, Any] = {
        "o2_basis": "dry" if plan.dry else "wet",
        "o2_damping_s": round(plan.o2_damping_s, 1),
        "o2_clamp": list(plan.clamp),
        "o2_during_checks": plan.hold,
        "heater_output": plan.heater_signal if plan.heater_signal in ("duty", "phase_angle") else "unknown",
    }
    if plan.heater_signal == "rated_energy":
        said["heater_on_time"] = "rated_energy"
    if plan.heater_signal == "relay" and plan.control == "cycled":
        said["heater_cycle_s"] = round(plan.cycle_s, 2)
    if plan.stored_as_correction:
        said["stored_offset_sign"] = "correction"
    found: dict[str, Any] = {"signals": own.tables, "conventions": said}
    if own.words:
        found["status_words"] = own.words
    return found


def _air(kind: str, unit: UnitPlan, draw: Draw) -> dict[str, Any]:
    """What the engineer says of it: mostly right, now and then that he does not know."""
    if draw.chance(0.2):
        return {"kind": "unknown"}
    if kind == "ambient" and draw.chance(0.6):
        return {"kind": kind, "temp_c": round(unit.ambient + 8.0), "humidity": round(0.6 * unit.humidity)}
    return {"kind": kind}
