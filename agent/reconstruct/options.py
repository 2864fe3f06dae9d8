"""The limits by which modes and episodes are recognised. Each is a setting (`[detectors.episodes]`) at every level."""

from dataclasses import dataclass, fields

__all__ = ["EpisodeOptions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeOptions:
    """Defaults are common practice unless said otherwise. Units are in the names.

    Raises
    ------
    ValueError
        A limit is not above 0; the message names it.
    """

    recovery_s: float = 600.0  # after gas through the filter nothing slow is learnt for so long
    stable_after_s: float = 7200.0  # two hours hot before a heater or a cell is judged
    stable_band_k: float = 5.0  # of the set point
    below_set_point_k: float = 25.0  # further below than this a probe is not in service
    stable_gap_s: float = 1800.0  # after a longer silence thermal stability is proved anew
    air_from_o2_pct: float = 17.0  # a reading above this, unflagged, is presumed to be air let in on purpose
    presumed_min_s: float = 5.0
    presumed_max_s: float = 2700.0  # air for longer than this is no check
    gap_s: float = 300.0  # a silence longer than this ends an episode
    settle_skip_s: float = 10.0  # start of a check that is never used: purging the line
    settle_window_s: float = 15.0  # shortest flat window that counts as settled
    # An approach to rest has its slope times its time constant still to go: 0.12 mV for 12 s. Simulated, checks of 36
    # to 180 s that pass are right to 0.15 mV for time constants of 1.5 to 30 s, and what has not come to rest fails.
    settle_flat_mv_per_min: float = 0.6
    set_point_c: float | None = None  # where the transmitter does not tell its own; learnt where absent

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if value is not None and not value > 0:  # written so that NaN is refused as well
                raise ValueError(f"{one.name} must be above 0, got {value!r}")
