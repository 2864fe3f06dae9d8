"""The settings: every key of the configuration, checked and frozen. Reading files is `agent.config.load`'s job."""

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, SecretStr

from agent.config.history import Column, History, HistoryColumns
from agent.config.lines import Line, RtuLine, RtuOverTcpLine, TcpLine
from agent.config.maps import AsNew, Conventions, Register, RegisterMap, StatusWord
from agent.config.part import Bool, Host, Id, Int, Number, Overrides, Part, Text

__all__ = [
    "Air",
    "AsNew",
    "Column",
    "Conventions",
    "Feed",
    "Heater",
    "History",
    "HistoryColumns",
    "Id",
    "Line",
    "Log",
    "Mqtt",
    "Overrides",
    "Part",
    "Probe",
    "Register",
    "RegisterMap",
    "RtuLine",
    "RtuOverTcpLine",
    "Settings",
    "StatusWord",
    "TcpLine",
    "TestGas",
]


class TestGas(Part):
    """A bottle on site, for the checks' expected values."""

    __test__ = False  # not a test, whatever its name

    o2: Annotated[Number, Field(gt=0, lt=100, description="Oxygen by the certificate [% vol].")]
    relative_uncertainty: Annotated[
        Number, Field(gt=0, le=0.2, description="Of the certificate, standard, as a share of o2 [-].")
    ] = 0.02


class Air(Part):
    """Air on one side of the cell."""

    kind: Annotated[
        Literal["ambient", "instrument", "unknown"], Field(description="Room air, dry instrument air, or not known.")
    ] = "unknown"
    temp_c: Annotated[Number, Field(ge=-40, le=60)] | None = Field(
        default=None, description="Temperature of the ambient air, where known [degC]."
    )
    humidity: Annotated[Number, Field(ge=0, le=100)] | None = Field(
        default=None, description="Relative humidity of the ambient air, where known [%]."
    )


class Heater(Part):
    """The rating of the heater, where known."""

    rated_voltage: Annotated[Number, Field(gt=0, le=1000)] | None = Field(
        default=None, description="Voltage on the heater's plate [V]."
    )
    rated_power: Annotated[Number, Field(gt=0, le=5000)] | None = Field(
        default=None, description="Power at rated voltage and working temperature [W]."
    )


class _Polled(Part):
    line: Annotated[Id, Field(description="The line it is on: a name from [lines].")]
    unit: Annotated[Int, Field(ge=1, le=255, description="Modbus unit id; 0 is broadcast and never used.")] = 1
    map: Annotated[Id, Field(description="Its register map: a name from [maps].")]
    address_shift: Annotated[
        Int,
        Field(ge=-65535, le=65535, description="Added to every address of the map: several probes on one transmitter."),
    ] = 0
    period_s: Annotated[Number, Field(ge=0.1, le=3600, description="Time between polls [s].")] = 5.0


class Feed(_Polled):
    """Signals of the unit (load, flue temperature, firing ...) that are read elsewhere and belong to several probes."""

    max_age_s: Annotated[Number, Field(gt=0, description="An older value counts as missing [s].")] = 120.0


class Probe(_Polled):
    """One hot end."""

    name: Annotated[str, Field(max_length=40, strict=True, description="What people call it; the id when empty.")] = ""
    feeds: Annotated[tuple[Id, ...], Field(description="Feeds that apply to this probe: names from [feeds].")] = ()
    twins: Annotated[
        tuple[Id, ...], Field(description="Other probes in the same duct: names from [probes]; one way is enough.")
    ] = ()
    supply_group: Id | None = Field(
        default=None, description="Name shared by probes whose heaters hang on one supply, of your choice."
    )
    used_by_trim: Annotated[
        Bool, Field(description="Whether automatic fuel/air trim acts on this reading; raises priority.")
    ] = False
    test_gases: Annotated[tuple[TestGas, ...], Field(description="The bottles on site for this probe.")] = ()
    reference_air: Annotated[Air, Field(description="Air on the reference side of the cell.")] = Air()
    check_air: Annotated[Air, Field(description="Air given to the cell during an air check.")] = Air()
    heater: Annotated[Heater, Field(description="Rating of the heater, where known.")] = Heater()
    nominal_voltage: Annotated[Number, Field(gt=0, le=1000, description="Nominal supply of the heater [V].")] = 230.0
    barometric_kpa: Annotated[
        Number, Field(ge=50, le=110, description="Usual air pressure on site, absolute, where no signal has it [kPa].")
    ] = 101.325
    burst_period_s: Annotated[
        Number, Field(ge=0.1, le=60, description="Time between polls during an episode and ten minutes after [s].")
    ] = 1.0
    air_check_interval_days: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="An air check is overdue after this long [d]; absent: no reminder."
    )
    test_gas_check_interval_days: Annotated[Number, Field(gt=0)] | None = Field(
        default=None, description="A test-gas check is overdue after this long [d]; absent: no reminder."
    )
    history_columns: Annotated[
        HistoryColumns, Field(description="Replay: columns of this probe by signal, in files that hold several probes.")
    ] = Field(default_factory=dict)
    detectors: Annotated[
        Overrides, Field(description="Options of detectors for this probe, by symptom; the last word.")
    ] = Field(default_factory=dict)


class Mqtt(Part):
    """The broker."""

    host: Annotated[Host, Field(description="Host name or address of the broker; the name is checked in TLS.")] = (
        "localhost"
    )
    port: Annotated[Int, Field(ge=1, le=65535, description="TCP port of the broker.")] = 8883
    tls: Annotated[Bool, Field(description="Encrypt and check the broker's certificate.")] = True
    ca_file: Path | None = Field(default=None, description="Authorities to trust, PEM; the system's own when absent.")
    cert_file: Path | None = Field(default=None, description="Certificate of this client, PEM, for mutual TLS.")
    key_file: Path | None = Field(default=None, description="Key of cert_file, PEM; absent when it is in cert_file.")
    username: Text | None = Field(default=None, description="User name at the broker.")
    password_file: Path | None = Field(default=None, description="File whose one line is the password.")
    password: SecretStr | None = Field(
        default=None,
        description="The password itself, from the environment or the secrets folder; password_file is better.",
    )
    plain_password: Annotated[
        Literal["", "the network is trusted"],
        Field(description='A password without TLS is refused unless this says "the network is trusted".'),
    ] = ""
    client_id: Annotated[Text, Field(max_length=128)] | None = Field(
        default=None, description="MQTT client id, unique at the broker; flueward-{site}-{agent} when absent."
    )
    protocol: Annotated[
        Literal["auto", "5", "3.1.1"], Field(description="MQTT version; auto tries 5 and falls back to 3.1.1.")
    ] = "auto"
    keepalive_s: Annotated[Int, Field(ge=5, le=600, description="Longest silence on the connection [s].")] = 30
    outbox_limit: Annotated[
        Int, Field(ge=100, le=10_000_000, description="Most events kept while the broker is away.")
    ] = 100_000
    sample_period_s: Annotated[
        Number, Field(ge=0, le=86400, description="Period of the sample topic [s]; 0 is off.")
    ] = 0.0


class Log(Part):
    """What the agent says of itself."""

    format: Annotated[
        Literal["auto", "console", "json"],
        Field(description="For people or for machines; auto is console on a terminal and JSON elsewhere."),
    ] = "auto"
    level: Annotated[
        Literal["debug", "info", "warning", "error"], Field(description="The least important line that is written.")
    ] = "info"


class Settings(Part):
    """The whole configuration. `load_settings` is the way to make one."""

    site: Annotated[Id, Field(description="Id of the plant, in every topic: 1 to 32 of a-z, 0-9, _ and -.")]
    agent: Annotated[Id, Field(description="Id of this running Flueward, in its topics.")]
    data_dir: Annotated[
        Path, Field(description="Folder for what must survive a restart; a relative one starts at this file's folder.")
    ]
    lines: Annotated[dict[Id, Line], Field(description="The Modbus connections, under ids of your choice.")]
    maps: Annotated[dict[Id, RegisterMap], Field(description="The kinds of transmitter, under ids of your choice.")]
    feeds: Annotated[
        dict[Id, Feed], Field(description="Signals of the unit that are read elsewhere, under ids of your choice.")
    ] = Field(default_factory=dict)
    probes: Annotated[dict[Id, Probe], Field(description="The hot ends, under the ids used in topics.")]
    mqtt: Annotated[Mqtt, Field(description="The broker.")] = Mqtt()
    history: Annotated[History, Field(description="Recorded history.")] = History()
    detectors: Annotated[
        Overrides, Field(description="Options of detectors for the site, by symptom; a map's and a probe's go first.")
    ] = Field(default_factory=dict)
    log: Annotated[Log, Field(description="What the agent says of itself.")] = Log()

    def detector_options(self, probe: str, symptom: str) -> dict[str, Any]:
        """The options set for one detector of one probe: site, then map, then probe, the last word wins."""
        at = self.probes[probe]
        merged: dict[str, Any] = {}
        for overrides in (self.detectors, self.maps[at.map].detectors, at.detectors):
            merged.update(overrides.get(symptom, {}))
        return merged
