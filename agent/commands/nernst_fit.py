"""Do o2, cell_emf and cell_temp belong together by Nernst, and if not, which one change of the map would make them?"""

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import hypot, sqrt
from typing import Final

from agent.commands.expected import HOT_C, WAYS, Way, scaled
from agent.commands.verdict import Fit, Verdict
from agent.commands.wide import joined, number
from agent.config.model import RegisterMap
from agent.register_value import step_of
from detectors.probe.nernst import AIR_O2_FRAC, cell_emf_mv, nernst_factor_mv, o2_frac_from_emf
from detectors.probe.thermocouple import TYPES, terminal_mv

__all__ = ["judge_nernst", "judge_thermocouple"]

_TOLERANCE_MV: Final = 1.0  # as the residual's own limit: max(1 mV, 4 u)
_DAMPED_MV: Final = 1.0  # more where a signal is damped: one look does not show whether it moves
_SHOWS_MV: Final = 0.1  # a residual that registers and the moments between them do not make by themselves
_CLEARLY: Final = 0.2
_TELLS_MV: Final = 6.0  # below this emf the gas is near air, where units and signs hardly show
_WATER_FRAC: Final = (0.03, 0.25)  # of flue gas, between lean coal and rich natural gas firing (common practice)
_TC_TOLERANCE_MV: Final = 0.4  # about 10 K of type K: head sensor, register and input together (common practice)
_CHECKS: Final = (
    "air_check_active", "test_gas_active", "blowback_active", "furnace_purge_active", "calibrating",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Point:
    """One look at a cell. mV, % vol, degC, mV and a fraction; `sign` of the stored offset."""

    emf: float
    o2: float
    temp: float
    offset: float
    slope: float
    sign: float

    def expected(self) -> float:
        """The emf that the display stands for; NaN where there cannot be one."""
        return float(
            cell_emf_mv(
                self.o2 / 100.0, self.temp, slope_frac=self.slope, offset_mv=self.sign * self.offset, invalid="nan"
            )
        )

    def residual(self) -> float:
        """Measured minus that."""
        return self.emf - self.expected()

    def sensible(self) -> bool:
        """Whether the gas and the cell may be what is said."""
        return 0.02 <= self.o2 <= 30.0 and HOT_C[0] <= self.temp <= HOT_C[1]


_Change = tuple[str, str, Callable[[_Point], _Point]]  # which convention, words, and what it makes of a look


def judge_nernst(register_map: RegisterMap, values: Mapping[str, float], mended: Collection[str] = ()) -> list[Verdict]:
    """One verdict where all three are mapped, none elsewhere.

    `values`: what is known now, feeds included; `mended`: those of them that were read in a better order of words.
    """
    names = {"o2", "cell_emf", "cell_temp"}
    if not names <= set(register_map.signals):
        return []
    fit, text = _judged(register_map, values)
    better = "in the better order: " if names <= set(values) and names & set(mended) else ""
    return [Verdict("o2, cell_emf, cell_temp", fit, better + text)]


def _judged(register_map: RegisterMap, values: Mapping[str, float]) -> tuple[Fit, str]:
    missing = [name for name in ("o2", "cell_emf", "cell_temp") if name not in values]
    if missing:
        return Fit.CANNOT_TELL, f"without {joined(missing)} nothing can be compared"
    if (why := _not_now(register_map, values)) is not None:
        return Fit.CANNOT_TELL, f"cannot be told now: {why}"
    at = _point(register_map, values)
    tolerance = _tolerance(register_map, at)
    residual, expected = at.residual(), at.expected()
    told = _told(at, register_map)
    if at.sensible() and abs(residual) <= tolerance:
        if abs(at.emf) < _TELLS_MV:
            return Fit.CANNOT_TELL, f"agree ({told}), but near air signs and units do not show: look again in service"
        fit, sign = _sign_of_offset(at, tolerance, register_map)
        return fit, told + sign
    if not at.sensible() and values["cell_temp"] < HOT_C[0] and _closest(register_map, at, tolerance) == []:
        return Fit.CANNOT_TELL, f"cannot be told now: the cell is at {number(at.temp)} degC and not hot"
    found = _closest(register_map, at, tolerance)
    if found:
        return Fit.DOES_NOT_FIT, f"{told}; would fit with {' or '.join(found)}"
    if register_map.conventions.o2_basis == "wet" and (water := _water(at, tolerance)) is not None:
        return Fit.DOES_NOT_FIT, f'{told}; would fit a display in dry gas, o2_basis = "dry", with {water:.0f} % water'
    off = "" if expected != expected else f", {number(round(residual, 2))} mV apart"
    return Fit.DOES_NOT_FIT, f"{told}{off}; no sign, unit, scale or offset convention tried explains it"


def _not_now(register_map: RegisterMap, values: Mapping[str, float]) -> str | None:
    conventions = register_map.conventions
    if values.get("output_held") == 1.0:
        return "the output is held"
    checking = [name for name in _CHECKS if values.get(name) == 1.0]
    for signal, during in (("o2", conventions.o2_during_checks), ("cell_emf", conventions.cell_emf_during_checks)):
        if checking and during != "live":
            return f"{checking[0]}, and {signal} is {'held' if during == 'held' else 'perhaps held'} in checks"
    if values.get("warming_up") == 1.0:
        return "the probe is warming up"
    return None


def _point(register_map: RegisterMap, values: Mapping[str, float]) -> _Point:
    slope = values.get("stored_slope", 100.0) / 100.0
    sign = 1.0 if register_map.conventions.stored_offset_sign == "cell" else -1.0
    return _Point(
        values["cell_emf"],
        values["o2"],
        values["cell_temp"],
        values.get("stored_offset", 0.0),
        slope if 0.5 < slope < 1.5 else 1.0,
        sign,
    )


def _tolerance(register_map: RegisterMap, at: _Point) -> float:
    """What registers round away, four times; more where a damped signal may be moving. [mV]"""

    def step(name: str) -> float:
        return step_of(register_map.signals[name])

    conventions = register_map.conventions
    k_mv = float(nernst_factor_mv(at.temp, invalid="nan"))
    o2_step = conventions.o2_resolution or step("o2")
    parts = (k_mv * o2_step / max(abs(at.o2), 1e-3), step("cell_emf"), abs(at.emf) / 973.0 * step("cell_temp"))
    u_mv = hypot(*parts) / sqrt(12.0)
    damped = conventions.o2_damping_s > 0 or conventions.cell_emf_damping_s > 0
    tolerance = max(_TOLERANCE_MV, 4.0 * u_mv) if u_mv == u_mv else _TOLERANCE_MV
    if conventions.o2_basis == "dry":
        tolerance += -k_mv * 0.5 * (1 - 1 / (1 - _WATER_FRAC[1])) if k_mv == k_mv else 0.0
    return tolerance + (_DAMPED_MV if damped else 0.0)


def _told(at: _Point, register_map: RegisterMap) -> str:
    more = []
    if "stored_slope" in register_map.signals:
        more.append(f"stored_slope {number(100 * at.slope)} %")
    if "stored_offset" in register_map.signals:
        as_ = "cell" if at.sign > 0 else "correction"
        more.append(f"stored_offset {number(round(at.offset, 3))} mV as '{as_}'")
    expected = at.expected()
    by_nernst = f"{expected:.2f} mV" if expected == expected else "no emf"
    extra = f" ({', '.join(more)})" if more else ""
    gas = f"{number(round(at.o2, 4))} % and {number(round(at.temp, 1))} degC"
    return f"measured {number(round(at.emf, 4))} mV; {by_nernst} by Nernst from {gas}{extra}"


def _sign_of_offset(at: _Point, tolerance: float, register_map: RegisterMap) -> tuple[Fit, str]:
    """The rest of a verdict that fits: whether the sign of a stored offset shows."""
    if "stored_offset" not in register_map.signals or not at.offset:
        return Fit.FITS, ""
    here, turned = at.residual(), _turned(at).residual()
    other = "correction" if at.sign > 0 else "cell"
    if abs(turned) > tolerance or (abs(turned) > _SHOWS_MV and abs(here) < _CLEARLY * abs(turned)):
        return Fit.FITS, f"; as '{other}' it would be {turned:+.2f} mV apart"
    if abs(here) > _SHOWS_MV and abs(turned) < _CLEARLY * abs(here):
        return Fit.CANNOT_TELL, f"; that is {here:+.2f} mV apart, as '{other}' only {turned:+.2f}: compare again"
    return Fit.FITS, "; the sign of so small an offset does not show"


def _turned(at: _Point) -> _Point:
    return _Point(at.emf, at.o2, at.temp, at.offset, at.slope, -at.sign)


def _changes(register_map: RegisterMap, at: _Point) -> Iterator[_Change]:
    signals = register_map.signals
    negative = scaled(-1.0, "its sign turned")
    for way in (negative, *WAYS["cell_emf"]):
        yield "cell_emf", _words("cell_emf", way, register_map), _on("emf", way)
    for way in WAYS["o2"]:
        yield "o2", _words("o2", way, register_map), _on("o2", way)
    for way in WAYS["cell_temp"]:
        yield "cell_temp", _words("cell_temp", way, register_map), _on("temp", way)
    if "stored_offset" in signals and at.offset:
        other = "correction" if at.sign > 0 else "cell"
        yield "stored_offset", f'stored_offset_sign = "{other}"', _turned


def _words(name: str, way: Way, register_map: RegisterMap) -> str:
    what = f" ({way.text})" if not way.text.endswith("the value") else ""
    return f"{name} {way.setting(register_map.signals[name])}{what}"


def _on(field: str, way: Way) -> Callable[[_Point], _Point]:
    def change(at: _Point) -> _Point:
        emf, o2, temp = at.emf, at.o2, at.temp
        if field == "emf":
            emf = way.convert(emf)
        elif field == "o2":
            o2 = way.convert(o2)
        else:
            temp = way.convert(temp)
        return _Point(emf, o2, temp, at.offset, at.slope, at.sign)

    return change


def _closest(register_map: RegisterMap, at: _Point, tolerance: float) -> list[str]:
    """What closes the residual with as few changes as possible, at most two, in words; the closest first."""
    changes = list(_changes(register_map, at))
    for count in (1, 2):
        found: dict[str, float] = {}
        for chosen in combinations(changes, count):
            if len({convention for convention, _, _ in chosen}) < count:
                continue
            moved = at
            for _, _, change in chosen:
                moved = change(moved)
            if moved.sensible() and abs(moved.emf) > _TELLS_MV and abs(moved.residual()) <= tolerance:
                found.setdefault(_once(chosen), abs(moved.residual()))
        if found:
            return sorted(found, key=lambda words: found[words])[:2]
    return []


def _once(chosen: tuple[_Change, ...]) -> str:
    return joined(words for _, words, _ in chosen)


def _water(at: _Point, tolerance: float) -> float | None:
    """Percent of water that a dry display would explain: it shows more oxygen than the cell, which sees wet gas."""
    if not at.sensible() or abs(at.residual()) <= tolerance:
        return None
    wet = float(o2_frac_from_emf(at.emf, at.temp, slope_frac=at.slope, offset_mv=at.sign * at.offset, invalid="nan"))
    water = 1.0 - wet / (at.o2 / 100.0)
    return 100.0 * water if _WATER_FRAC[0] <= water <= _WATER_FRAC[1] and at.o2 < 95.0 * AIR_O2_FRAC else None


def judge_thermocouple(register_map: RegisterMap, values: Mapping[str, float]) -> list[Verdict]:
    """Cell temperature, head temperature and terminal mV against each other, where all are mapped and known."""
    names = ("cell_temp", "head_temp", "thermocouple_emf")
    if not set(names) <= set(register_map.signals):
        return []
    about = joined(names)
    missing = [name for name in names if name not in values]
    if missing:
        return [Verdict(about, Fit.CANNOT_TELL, f"without {joined(missing)} nothing can be compared")]
    cell, head, mv = (values[name] for name in names)
    configured = register_map.conventions.thermocouple
    register = register_map.signals["thermocouple_emf"]
    expected = float(terminal_mv(cell, head, configured, invalid="nan"))
    told = f"measured {number(round(mv, 3))} mV; type {configured} gives {expected:.2f} mV"
    if abs(mv - expected) <= _TC_TOLERANCE_MV:
        return [Verdict(about, Fit.FITS, told)]

    def close(emf: float, type_: str = configured, junction: float = head) -> bool:
        return abs(emf - float(terminal_mv(cell, junction, type_, invalid="nan"))) <= _TC_TOLERANCE_MV

    ways = [way for way in WAYS["thermocouple_emf"] if close(way.convert(mv))]
    fits = [f"thermocouple_emf {way.setting(register)}" for way in ways]
    fits += [f'thermocouple = "{type_}"' for type_ in TYPES if close(mv, type_)]
    if close(mv, junction=0.0):
        fits.append("a value that is already compensated to 0 degC, which is not the terminal's")
    rest = f"would fit with {' or '.join(dict.fromkeys(fits))}" if fits else "no type or scale tried explains it"
    return [Verdict(about, Fit.DOES_NOT_FIT, f"{told}; {rest}")]
