"""The Modbus connections: a TCP endpoint, a serial port, or RTU frames through a TCP converter."""

from typing import Annotated, Literal

from pydantic import Field

from agent.config.part import Host, Int, Number, Part, Text

__all__ = ["Line", "RtuLine", "RtuOverTcpLine", "TcpLine"]

ListenS = Annotated[
    Number,
    Field(
        ge=0,
        le=120,
        description="How long to listen before the first request [s]: a serial line has one master, and foreign "
        "traffic means that the line is refused.",
    ),
]
Port = Annotated[Int, Field(ge=1, le=65535, description="TCP port.")]
ConnectTimeoutS = Annotated[Number, Field(gt=0, le=60, description="Longest wait for the connection [s].")]
HostName = Annotated[Host, Field(description="Host name or address, without scheme or port.")]


class _AnyLine(Part):
    timeout_s: Annotated[Number, Field(gt=0, le=60, description="Longest wait for one answer [s].")] = 1.0
    pause_ms: Annotated[
        Number, Field(ge=0, le=5000, description="Rest between an answer and the next request [ms].")
    ] = 0.0
    back_off_max_s: Annotated[
        Number, Field(ge=1, le=3600, description="Longest rest of a unit that does not answer [s].")
    ] = 60.0


class TcpLine(_AnyLine):
    """A Modbus TCP endpoint: one connection, its units in turn."""

    kind: Literal["tcp"] = Field(description='Kind of connection: "tcp", "rtu" or "rtu_over_tcp".')
    host: HostName
    port: Port = 502
    connect_timeout_s: ConnectTimeoutS = 3.0


class RtuOverTcpLine(_AnyLine):
    """RTU frames through a TCP converter: the serial line behind it has one master, so it is listened to first."""

    kind: Literal["rtu_over_tcp"] = Field(description='Kind of connection: "tcp", "rtu" or "rtu_over_tcp".')
    host: HostName
    port: Port
    connect_timeout_s: ConnectTimeoutS = 3.0
    listen_s: ListenS = 10.0


class RtuLine(_AnyLine):
    """A serial port."""

    kind: Literal["rtu"] = Field(description='Kind of connection: "tcp", "rtu" or "rtu_over_tcp".')
    device: Annotated[Text, Field(description="The port's device, best by a name that survives replugging.")]
    baudrate: Annotated[Int, Field(ge=300, le=921600, description="Speed [bit/s].")] = 9600
    parity: Annotated[Literal["none", "even", "odd"], Field(description="Parity bit.")] = "even"
    stopbits: Annotated[Literal[1, 2], Field(description="Stop bits; 2 is usual without parity.")] = 1
    listen_s: ListenS = 10.0


Line = Annotated[TcpLine | RtuLine | RtuOverTcpLine, Field(discriminator="kind")]
