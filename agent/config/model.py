"""The settings: every key of the configuration, checked and frozen. Reading files is `agent.config.load`'s job."""

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr

__all__ = [
    "Conventions",
    "Feed",
    "Line",
    "Mqtt",
    "Probe",
    "Register",
    "RegisterMap",
    "RtuLine",
    "RtuOverTcpLine",
    "Settings",
    "TcpLine",
    "TestGas",
]

Id = Annotated[str, Field(pattern=r"^[a-z0-9_-]{1,32}$")]
Unit = Annotated[int, Field(ge=1, le=255)]  # 0 is broadcast: never
Overrides = dict[str, dict[str, float | int | bool | str]]


class Part(BaseModel):
    """A table of the configuration: frozen, and a misspelt key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class _AnyLine(Part):
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 1.0  # for one answer
    pause_ms: Annotated[float, Field(ge=0, le=5000)] = 0.0  # between an answer and the next request
    back_off_max_s: Annotated[float, Field(ge=1, le=3600)] = 60.0  # longest rest of a dead unit


class TcpLine(_AnyLine):
    """A Modbus TCP endpoint: one connection, its units in turn."""

    kind: Literal["tcp"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    connect_timeout_s: Annotated[float, Field(gt=0, le=60)] = 3.0


class RtuOverTcpLine(_AnyLine):
    """RTU frames through a TCP converter: the serial line behind it has one master, so it is listened to first."""

    kind: Literal["rtu_over_tcp"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)]
    connect_timeout_s: Annotated[float, Field(gt=0, le=60)] = 3.0
    listen_s: Annotated[float, Field(ge=0, le=120)] = 10.0


class RtuLine(_AnyLine):
    """A serial port."""

    kind: Literal["rtu"]
    device: str
    baudrate: Annotated[int, Field(ge=300, le=921600)] = 9600
    parity: Literal["none", "even", "odd"] = "even"
    stopbits: Literal[1, 2] = 1
    listen_s: Annotated[float, Field(ge=0, le=120)] = 10.0


Line = Annotated[TcpLine | RtuLine | RtuOverTcpLine, Field(discriminator="kind")]


class Register(Part):
    """Where one signal lives and how its bits are read.

    An analog value is (raw x scale) + offset. `bit` picks one bit of a 16-bit word for a flag; `invert` turns it over.
    """

    table: Literal["holding", "input", "coil", "discrete"] = "holding"
    address: Annotated[int, Field(ge=0, le=65535)]  # 0-based, as on the wire
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64", "bool"] = "uint16"
    order: Literal["abcd", "cdab", "badc", "dcba"] = "abcd"  # byte and word order; float64 follows the same pattern
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    invert: bool = False
    scale: float = 1.0
    offset: float = 0.0
    sentinels: tuple[float, ...] = ()  # raw values that mean 'no value'
    plausible: tuple[float, float] | None = None  # in engineering units; outside is missing
    wraps_at: Annotated[float, Field(gt=0)] | None = None  # engineering units; counters only


class StatusWord(Part):
    """An enumerated word: each value lists the flags that it sets; every other flag named in the word is 0."""

    table: Literal["holding", "input"] = "holding"
    address: Annotated[int, Field(ge=0, le=65535)]
    values: dict[int, tuple[str, ...]]  # 2 = ["air_check_active", "output_held"]


class Conventions(Part):
    """What the numbers of one kind of transmitter mean."""

    o2_basis: Literal["wet", "dry"] = "wet"
    o2_damping_s: Annotated[float, Field(ge=0, le=600)] = 0.0  # time constant of the display filter on o2
    cell_emf_damping_s: Annotated[float, Field(ge=0, le=600)] = 0.0
    o2_clamp: tuple[float, float] | None = None  # the display's range: a value at either end is not a measurement
    o2_during_checks: Literal["live", "held", "unknown"] = "unknown"
    cell_emf_during_checks: Literal["live", "held", "unknown"] = "live"
    o2_resolution: Annotated[float, Field(gt=0)] | None = None  # % vol; worked out from type and scale when absent
    heater_output: Literal["duty", "phase_angle", "unknown"] = "unknown"
    heater_on_time: Literal["run_time", "rated_energy"] = "run_time"
    heater_cycle_s: Annotated[float, Field(gt=0)] | None = None  # of the relay or triac, where known
    stored_offset_sign: Literal["cell", "correction"] = (
        "cell"  # 'cell': the offset the cell had; 'correction': its negative
    )
    thermocouple: Literal["K", "N", "S", "R", "B", "J", "E", "T"] = "K"


class AsNew(Part):
    """What a new probe of this kind does; guards against a baseline learnt on a sick one."""

    tau_s: Annotated[float, Field(gt=0)] | None = None
    heater_demand: Annotated[float, Field(gt=0, le=1)] | None = None


class RegisterMap(Part):
    """One kind of transmitter."""

    signals: dict[str, Register]
    status_words: dict[str, StatusWord] = {}
    conventions: Conventions = Conventions()
    as_new: AsNew = AsNew()
    max_registers: Annotated[int, Field(ge=1, le=125)] = 125  # in one request
    max_bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    bridge_gaps: Annotated[int, Field(ge=0, le=100)] = 0  # unmapped addresses that may be read to save a request
    detectors: Overrides = {}


class TestGas(Part):
    """A bottle on site, for the checks' expected values."""

    __test__ = False  # not a test, whatever its name

    o2: Annotated[float, Field(gt=0, lt=100)]  # % vol
    relative_uncertainty: Annotated[float, Field(gt=0, le=0.2)] = 0.02


class Air(Part):
    """Air on one side of the cell."""

    kind: Literal["ambient", "instrument", "unknown"] = "unknown"  # instrument air is dry
    temp_c: Annotated[float, Field(ge=-40, le=60)] | None = None  # of the ambient air, where known
    humidity: Annotated[float, Field(ge=0, le=100)] | None = None  # % relative


class Heater(Part):
    """The rating of the heater, where known."""

    rated_voltage: Annotated[float, Field(gt=0, le=1000)] | None = None  # V
    rated_power: Annotated[float, Field(gt=0, le=5000)] | None = None  # W, at working temperature


class _Polled(Part):
    line: Id
    unit: Unit = 1
    map: Id
    address_shift: Annotated[int, Field(ge=-65535, le=65535)] = (
        0  # added to every address: several probes, one transmitter
    )
    period_s: Annotated[float, Field(ge=0.1, le=3600)] = 5.0


class Feed(_Polled):
    """Signals of the unit (load, flue temperature, firing ...) that are read elsewhere and belong to several probes."""

    max_age_s: Annotated[float, Field(gt=0)] = 120.0  # older is missing


class Probe(_Polled):
    """One hot end."""

    name: Annotated[str, Field(min_length=1, max_length=40)] = ""  # for people; the id when empty
    feeds: tuple[Id, ...] = ()
    twins: tuple[Id, ...] = ()
    supply_group: Id | None = None
    used_by_trim: bool = False
    test_gases: tuple[TestGas, ...] = ()
    reference_air: Air = Air()
    check_air: Air = Air()
    heater: Heater = Heater()
    nominal_voltage: Annotated[float, Field(gt=0, le=1000)] = 230.0  # V, supply of the heater
    barometric_kpa: Annotated[float, Field(ge=50, le=110)] = 101.325  # where no signal has it
    burst_period_s: Annotated[float, Field(ge=0.1, le=60)] = 1.0  # during episodes and ten minutes after
    air_check_interval_days: Annotated[float, Field(gt=0)] | None = None
    test_gas_check_interval_days: Annotated[float, Field(gt=0)] | None = None
    detectors: Overrides = {}


class Mqtt(Part):
    """The broker."""

    host: str = "localhost"
    port: Annotated[int, Field(ge=1, le=65535)] = 8883
    tls: bool = True
    ca_file: Path | None = None  # the system's own when absent
    cert_file: Path | None = None  # of this client, for mutual TLS
    key_file: Path | None = None
    username: str | None = None
    password_file: Path | None = None
    password: SecretStr | None = None  # from the environment or the secrets folder; a file is better
    plain_password: Literal["", "the network is trusted"] = ""  # a password without TLS wants these words
    client_id: str | None = None  # flueward-{site}-{agent} when absent
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    keepalive_s: Annotated[int, Field(ge=5, le=600)] = 30
    outbox_limit: Annotated[int, Field(ge=100)] = 100_000  # events kept while the broker is away
    sample_period_s: Annotated[float, Field(ge=0)] = 0.0  # of the sample topic; 0 is off


class Log(Part):
    """What the agent says of itself."""

    format: Literal["auto", "console", "json"] = "auto"  # auto: console on a terminal, JSON elsewhere
    level: Literal["debug", "info", "warning", "error"] = "info"


class Settings(Part):
    """The whole configuration. `load_settings` is the way to make one."""

    site: Id
    agent: Id
    data_dir: Path
    lines: dict[Id, Line]
    maps: dict[Id, RegisterMap]
    feeds: dict[Id, Feed] = {}
    probes: dict[Id, Probe]
    mqtt: Mqtt = Mqtt()
    detectors: Overrides = {}  # by symptom; a map's go before these, a probe's before a map's
    log: Log = Log()

    def detector_options(self, probe: str, symptom: str) -> dict[str, Any]:
        """The options set for one detector of one probe: site, then map, then probe, the last word wins."""
        at = self.probes[probe]
        merged: dict[str, Any] = {}
        for overrides in (self.detectors, self.maps[at.map].detectors, at.detectors):
            merged.update(overrides.get(symptom, {}))
        return merged
