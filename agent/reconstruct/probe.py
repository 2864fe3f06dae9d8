"""One probe, from raw samples to what its detectors look at. Joins the single steps of this package; judges nothing."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.config.model import Probe, RegisterMap
from agent.reconstruct.cell import Cell, CellTrack
from agent.reconstruct.episodes import Check, Episodes, RecoveryWindow, Trace
from agent.reconstruct.flags import raised
from agent.reconstruct.heater import Heater, HeaterTrack
from agent.reconstruct.heater_minutes import HeaterMinutesMaker
from agent.reconstruct.mode import ModeTrack, ModeTracker
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from agent.reconstruct.set_point import SetPoint
from agent.reconstruct.stability import Stability
from detectors.heater_days import HeaterMinutes
from detectors.stretch import Floats, Stretch

__all__ = ["Reconstructed", "Reconstruction"]


@dataclass(frozen=True, slots=True)
class Reconstructed:
    """Everything worked out of one stretch. Arrays have the stretch's shape (n,)."""

    stretch: Stretch
    cell: CellTrack
    heater: HeaterTrack
    set_point_c: Floats
    modes: ModeTrack
    stable: NDArray[np.bool_]
    minutes: HeaterMinutes
    episodes: list[Check | RecoveryWindow]


class Reconstruction:
    """Carries everything of one probe that a stretch leaves open.

    `own` names the signals of the probe's transmitter, `mapped` those and its feeds'.
    """

    def __init__(
        self,
        probe: Probe,
        register_map: RegisterMap,
        own: frozenset[str],
        mapped: frozenset[str],
        options: EpisodeOptions,
        state: dict[str, Any] | None = None,
    ) -> None:
        def part(name: str) -> Any:
            return None if state is None else state.get(name)  # what an earlier version did not carry begins anew

        self.probe, self.options = probe, options
        self.set_point = SetPoint(
            options.set_point_c, "cell_temp_setpoint" in mapped, options.stable_band_k, part("set_point")
        )
        self.own = own
        wraps = {name: register.wraps_at for name, register in register_map.signals.items()}
        self.cell = Cell(register_map, part("cell"))
        self.heater = Heater(probe, register_map.conventions, mapped, wraps, part("heater"))
        self.modes = ModeTracker(options, part("modes"))
        self.stability = Stability(options, part("stability"))
        self.minutes = HeaterMinutesMaker(self.heater.source, self.heater.has_voltage, part("minutes"))
        self.episodes = Episodes(options, part("episodes"))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {
            "cell": self.cell.to_dict(),
            "heater": self.heater.to_dict(),
            "modes": self.modes.to_dict(),
            "stability": self.stability.to_dict(),
            "minutes": self.minutes.to_dict(),
            "episodes": self.episodes.to_dict(),
            "set_point": self.set_point.to_dict(),
        }

    def run(self, stretch: Stretch) -> Reconstructed:
        """Work out one stretch."""
        flags = raised(stretch)
        cell = self.cell.run(stretch, flags)
        heater = self.heater.run(stretch)
        set_point = self.set_point.run(stretch, heater.duty)
        modes = self.modes.run(stretch, cell.o2_frac, heater.duty, set_point, flags)
        stable = self.stability.run(stretch.time_s, stretch.get("cell_temp"), set_point)
        # Cooled by check gas the heater works harder: only undisturbed service is compared.
        minutes = self.minutes.add(stretch, heater, stable & modes.is_(Mode.IN_SERVICE))
        trace = Trace(
            stretch.time_s,
            cell.emf_mv,
            cell.emf_u_mv,
            cell.o2_frac,
            stretch.get("cell_temp"),
            cell.stored_mv,
            stretch.get("load"),
            stretch.get("flue_temp"),
            stable.astype(np.float64),
        )
        return Reconstructed(stretch, cell, heater, set_point, modes, stable, minutes, self.episodes.add(trace, modes))
