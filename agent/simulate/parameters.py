"""What makes one invented probe differ from the next. The seed draws it."""

from dataclasses import dataclass

__all__ = ["ProbeParameters"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeParameters:
    """What makes one probe differ from the next. Drawn by the seed."""

    setpoint_c: float = 700.0
    tau_s: float = 6.5  # of the clean filter, at 350 degC and full load
    tau_scatter: float = 0.04  # of the logarithm, from one episode to the next
    tau_per_load: float = -0.15  # exponent of load: more gas, quicker exchange
    cell_offset_mv: float = 0.0
    offset_scatter_mv: float = 0.06  # slow wander of the offset
    cell_slope: float = 1.0
    stored_offset_mv: float = 0.0
    stored_slope: float = 1.0
    emf_noise_mv: float = 0.03
    temp_noise_k: float = 0.3
    resistance_ohm: float = 529.0
    nominal_v: float = 230.0
    still_w_per_k: float = 0.02
    moving_w_per_k: float = 0.045
    stem_w_per_k: float = 0.03
    duty_noise: float = 0.006
    o2_bias_pct: float = 0.0
    o2_own_sd_pct: float = 0.28
    head_over_ambient_c: float = 28.0
    check_overpressure: float = 0.003  # of air or test gas at the cell against a clean filter, 0.3 kPa
    reference_is_damp: bool = False
    holds_o2: bool = False  # the transmitter holds o2 while a check runs, and some seconds more
    hold_after_s: float = 20.0
    damping_s: float = 0.0
    o2_clamp_pct: tuple[float, float] | None = None  # ends of the display
    relay_cycle_s: float = 7.3
    noise_offset: int = 0  # where it reads the noise tables
    supply_group: str = ""
    supply_offset: int = 0
