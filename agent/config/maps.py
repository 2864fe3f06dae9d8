"""Register maps: where each signal lives in one kind of transmitter, and what its numbers mean."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from agent.config.part import Bool, Int, Number, Overrides, Part

__all__ = ["AsNew", "Conventions", "Register", "RegisterMap", "StatusWord"]

Address = Annotated[Int, Field(ge=0, le=65535, description="0-based address, as on the wire.")]
DampingS = Annotated[
    Number, Field(ge=0, le=600, description="Time constant of the filter that the transmitter puts on this signal [s].")
]


class Register(Part):
    """Where one signal lives and how its bits are read.

    An analog value is (raw x scale) + offset. `bit` picks one bit of a 16-bit word for a flag; `invert` turns it over.
    """

    table: Annotated[
        Literal["holding", "input", "coil", "discrete"],
        Field(description="Table of the data model: holding (function 3), input (4), coil (1), discrete (2)."),
    ] = "holding"
    address: Address
    type: Annotated[
        Literal["int16", "uint16", "int32", "uint32", "float32", "float64", "bool"],
        Field(description="How the bits are read; a coil or a discrete input is bool without saying so."),
    ] = "uint16"
    order: Annotated[
        Literal["abcd", "cdab", "badc", "dcba"],
        Field(description="Byte and word order of wide values, a being the highest byte; float64 follows the pattern."),
    ] = "abcd"
    bit: Annotated[Int, Field(ge=0, le=15)] | None = Field(
        default=None, description="Bit of a 16-bit word that is this flag, 0 the lowest."
    )
    invert: Annotated[Bool, Field(description="Flags only: 0 on the wire means yes.")] = False
    scale: Annotated[Number, Field(description="Value = raw x scale + offset [unit of the signal per count].")] = 1.0
    offset: Annotated[Number, Field(description="Value = raw x scale + offset [unit of the signal].")] = 0.0
    decimals: Annotated[Int, Field(ge=0, le=9)] | None = Field(
        default=None,
        description="Floats only: digits after the point that mean something; what is finer is noise and rounded off.",
    )
    sentinels: Annotated[
        tuple[Number, ...], Field(description="Raw values, before scale and offset, that mean 'no value'.")
    ] = ()
    plausible: tuple[Number, Number] | None = Field(
        default=None, description="Lowest and highest value to believe [unit of the signal]; outside is missing."
    )
    wraps_at: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="Counters only: the value at which it starts again from 0 [unit of the signal]."
    )

    @model_validator(mode="before")
    @classmethod
    def _one_bit_tables_hold_bools(cls, given: Any) -> Any:
        """A coil or a discrete input is one bit, so its type need not be said."""
        if isinstance(given, dict) and given.get("table") in ("coil", "discrete") and "type" not in given:
            return {**given, "type": "bool"}
        return given


def _plain_code(given: Any) -> Any:
    """Keys are texts in TOML: "1" and "01" would be one code, and the second silently the only one."""
    if isinstance(given, str) and not (given.isascii() and given.isdecimal() and str(int(given[:9])) == given[:9]):
        raise ValueError("must be a whole number in plain digits")
    return given


Code = Annotated[int, BeforeValidator(_plain_code)]


class StatusWord(Part):
    """An enumerated word: each value lists the flags that it sets; every other flag named in the word is 0."""

    table: Annotated[Literal["holding", "input"], Field(description="Table of the data model.")] = "holding"
    address: Address
    values: Annotated[
        dict[Code, tuple[str, ...]],
        Field(description='Flags that each value sets, as in 2 = ["air_check_active", "output_held"].'),
    ]


class Conventions(Part):
    """What the numbers of one kind of transmitter mean."""

    o2_basis: Annotated[
        Literal["wet", "dry"], Field(description="Whether o2 is shown in wet gas, as the cell sees it, or as dry.")
    ] = "wet"
    o2_damping_s: DampingS = 0.0
    cell_emf_damping_s: DampingS = 0.0
    o2_clamp: tuple[Number, Number] | None = Field(
        default=None,
        description="Ends of the display's range [% vol]: a value at either end is not a measurement.",
    )
    o2_during_checks: Annotated[
        Literal["live", "held", "unknown"], Field(description="What o2 does during checks and calibrations.")
    ] = "unknown"
    cell_emf_during_checks: Annotated[
        Literal["live", "held", "unknown"], Field(description="What cell_emf does during checks and calibrations.")
    ] = "live"
    o2_resolution: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="Smallest step of o2 [% vol]; worked out from type and scale when absent."
    )
    heater_output: Annotated[
        Literal["duty", "phase_angle", "unknown"],
        Field(description="What heater_output counts: share of time, firing angle, or not known."),
    ] = "unknown"
    heater_on_time: Annotated[
        Literal["run_time", "rated_energy"],
        Field(description="What heater_on_time counts: seconds on, or energy expressed as seconds at rated power."),
    ] = "run_time"
    heater_cycle_s: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="Cycle of the heater's relay or triac [s], where known: polls keep clear of it."
    )
    stored_offset_sign: Annotated[
        Literal["cell", "correction"],
        Field(description="Whether stored_offset is the offset that the cell had, or the correction: its negative."),
    ] = "cell"
    thermocouple: Annotated[
        Literal["K", "N", "S", "R", "B", "J", "E", "T"], Field(description="Letter type, IEC 60584-1.")
    ] = "K"


class AsNew(Part):
    """What a new probe of this kind does; guards against a baseline learnt on a sick one."""

    tau_s: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="Time constant of the return from air, filter new, damping taken out [s]."
    )
    heater_demand: Annotated[Number, Field(gt=0, le=1)] | None = Field(
        default=None, description="Heater duty at nominal voltage, hot and in service [0..1]."
    )


class RegisterMap(Part):
    """One kind of transmitter."""

    signals: Annotated[dict[str, Register], Field(description="A table for each signal that the transmitter has.")]
    status_words: Annotated[
        dict[str, StatusWord], Field(description="Enumerated words that stand for flags, under names of your choice.")
    ] = Field(default_factory=dict)
    conventions: Annotated[Conventions, Field(description="What the numbers mean.")] = Conventions()
    as_new: Annotated[AsNew, Field(description="What a new probe of this kind does, where known.")] = AsNew()
    max_registers: Annotated[Int, Field(ge=1, le=125, description="Most registers in one request.")] = 125
    max_bits: Annotated[Int, Field(ge=1, le=2000, description="Most coils or discrete inputs in one request.")] = 2000
    bridge_gaps: Annotated[
        Int, Field(ge=0, le=100, description="Unmapped addresses in a row that may be read to save a request.")
    ] = 0
    detectors: Annotated[
        Overrides, Field(description="Options of detectors for this kind, by symptom; go before the site's.")
    ] = Field(default_factory=dict)
