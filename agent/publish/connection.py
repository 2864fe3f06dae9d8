"""One MQTT connection, from CONNECT to its end. The only module that knows paho.

A paho client serves one connection and is thrown away: so nothing can wait inside it over a reconnect and be sent
twice, nor grow there. Name look-up, TCP and TLS happen in a thread, since they block. From then on the event loop
drives the socket: no thread of paho's that could die unnoticed, no lock, and every callback runs between two awaits.
"""

import asyncio
import contextlib
import ssl
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from agent.config.model import Mqtt
from agent.publish.refusal import ConnectError, Refusal, of_connack, of_exception

__all__ = ["TAKEN_OVER", "Ack", "Connection", "Protocol", "Will"]

Protocol = Literal["5", "3.1.1"]
TAKEN_OVER = 0x8E  # DISCONNECT reason, MQTT 5.0 section 3.14.2.1
_KEEPALIVE = 0x8D  # the same, 'keep alive timeout': paho says it of a broker that does not answer its ping
_FAILURE = 0x80  # reason codes from here on are failures, MQTT 5.0 section 2.4
_SOCKET_TIMEOUT_S = 5.0  # for each of TCP and TLS


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker says for us when we fall silent: QoS 1, retained."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Ack:
    """The broker's answer to one message. `refused` says why, None when it took it."""

    mid: int
    refused: str | None


class Connection:
    """One attempt, and what comes of it.

    Parameters
    ----------
    wake : callable
        Called (in the event loop) when `acks` or `lost` have news. It must not raise.
    """

    def __init__(self, mqtt: Mqtt, client_id: str, will: Will, protocol: Protocol, wake: Callable[[], None]) -> None:
        self.acks: deque[Ack] = deque()
        self.lost: str | None = None  # why it ended
        self.lost_code: int | None = None  # the broker's reason, where it gave one
        self.receive_max = 65_535  # MQTT 5.0 section 3.2.2.3.3: the value when absent
        self.packet_max: int | None = None  # bytes
        self.retains = True
        self._mqtt, self._client_id, self._will, self._protocol, self._wake = mqtt, client_id, will, protocol, wake
        self._loop = asyncio.get_running_loop()
        self._connack: asyncio.Future[ConnectError | None] = self._loop.create_future()
        self._fd = -1
        self._paho_said = ""
        self._client: paho.Client | None = None

    async def open(self, answer_s: float) -> None:
        """Connect, and wait up to `answer_s` for the broker's answer to CONNECT.

        Raises
        ------
        ConnectError
            With what went wrong and what would be right.
        """
        try:
            self._client = await self._connect()
            self._attach(self._client)
            async with asyncio.timeout(answer_s):
                refused = await self._connack
        except TimeoutError as error:
            self.close("no answer to CONNECT")
            text = f"broker {self._mqtt.host}:{self._mqtt.port} took the connection and said nothing in {answer_s:g} s"
            raise ConnectError(Refusal.NO_ANSWER, f"{text}: is it MQTT, and TLS as configured?") from error
        except BaseException:  # a cancelled attempt must not leave its socket behind
            self.close("given up")
            raise
        if refused is not None:
            self.close(str(refused))
            raise refused

    # In the thread

    async def _connect(self) -> paho.Client:
        done: asyncio.Future[paho.Client | Exception] = self._loop.create_future()

        def hand_over(result: paho.Client | Exception) -> None:
            if done.cancelled():
                if isinstance(result, paho.Client):
                    _drop(result)
            else:
                done.set_result(result)

        def work() -> None:
            result: paho.Client | Exception
            try:
                result = self._blocking_connect()
            except Exception as error:  # noqa: BLE001 - whatever it is, it is told by whoever awaits, not by a dead thread
                result = error
            try:
                self._loop.call_soon_threadsafe(hand_over, result)
            except RuntimeError:  # the loop has ended meanwhile
                if isinstance(result, paho.Client):
                    _drop(result)

        # A daemon: a name server that hangs must not hold up the end of the agent.
        threading.Thread(target=work, name="mqtt-connect", daemon=True).start()
        result = await done
        if isinstance(result, ConnectError):
            raise result
        if isinstance(result, Exception):
            raise of_exception(result, self._mqtt) from result
        return result

    def _blocking_connect(self) -> paho.Client:
        mqtt, five = self._mqtt, self._protocol == "5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            clean_session=None if five else True,
            reconnect_on_failure=False,
        )
        client.on_log = self._on_log  # the only one that runs in this thread: it keeps one line of text
        client.connect_timeout = _SOCKET_TIMEOUT_S
        client.max_inflight_messages_set(0)  # our own window is the limit: paho holds nothing back
        client.will_set(self._will.topic, self._will.payload, qos=1, retain=True)
        password = _password(mqtt)
        if password is not None and not mqtt.tls and not mqtt.plain_password:
            raise ConnectError(
                Refusal.PLAIN_PASSWORD,
                "a password is not sent over plain MQTT: set mqtt.tls = true, or, where that is so, "
                'mqtt.plain_password = "the network is trusted"',
            )
        if mqtt.username is not None:
            client.username_pw_set(mqtt.username, password)
        if mqtt.tls:
            client.tls_set_context(_tls_context(mqtt))
        # Clean start: the session would hold nothing of ours (we send, and keep what is not confirmed ourselves).
        if five:
            client.connect(mqtt.host, mqtt.port, keepalive=mqtt.keepalive_s, clean_start=True)
        else:
            client.connect(mqtt.host, mqtt.port, keepalive=mqtt.keepalive_s)
        return client

    # In the event loop

    def _attach(self, client: paho.Client) -> None:
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_register_write
        client.on_socket_unregister_write = self._on_unregister_write
        sock = client.socket()
        if sock is None:
            raise self._unanswered(self._paho_said or "it hung up at once")
        self._fd = sock.fileno()
        self._loop.add_reader(self._fd, self._read)
        if client.want_write():
            self._loop.add_writer(self._fd, self._write)
        self._read()  # TLS may have taken bytes off the socket already

    def _read(self) -> None:
        client = self._client
        if client is None:
            return
        try:
            while True:
                code = client.loop_read()
                sock = client.socket()
                # Bytes that TLS has decoded wake no selector: read until there are none.
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS or not isinstance(sock, ssl.SSLSocket) or not sock.pending():
                    break
        except Exception as error:  # noqa: BLE001 - nonsense from the wire ends this connection, never the agent
            self._end(f"unreadable answer: {type(error).__name__} {error}")
            return
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._end(self._paho_said or _in_words(code))

    def _write(self) -> None:
        client = self._client
        if client is None:
            return
        try:
            code = client.loop_write()
        except Exception as error:  # noqa: BLE001 - as in `_read`
            self._end(f"cannot write: {type(error).__name__} {error}")
            return
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._end(self._paho_said or _in_words(code))

    def tick(self) -> None:
        """Once a second or so: keepalive, and the end of a connection whose other side fell silent."""
        client = self._client
        if client is None:
            return
        code = client.loop_misc()
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS or client.socket() is None:
            self._end(_in_words(code))

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> int:
        """Send at QoS 1 and return the packet's id, which its `Ack` carries.

        Raises
        ------
        ConnectError
            The connection has ended: the message is NOT kept here.
        """
        client = self._client
        if client is None or self.lost is not None or not client.is_connected():
            raise ConnectError(Refusal.LOST, self.lost or "not connected")
        info = client.publish(topic, payload, qos=1, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            why = _in_words(info.rc)
            self._end(why)
            raise ConnectError(Refusal.LOST, why)
        return info.mid

    async def farewell(self, within_s: float) -> None:
        """DISCONNECT, so that the broker drops our will, then close."""
        client = self._client
        if client is not None and self.lost is None:
            client.disconnect()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within_s):
                    while client.want_write() and self.lost is None:  # noqa: ASYNC110 - paho has no event for it
                        await asyncio.sleep(0.005)
        self.close("ended by us")

    def close(self, why: str) -> None:
        """Drop the connection without a word: the broker will publish our will."""
        self._end(why)

    def _end(self, why: str) -> None:
        if self.lost is None:
            self.lost = why
        client, self._client = self._client, None
        self._forget_socket()
        if client is not None:
            _drop(client)
        if not self._connack.done():
            self._connack.set_result(self._unanswered(self.lost))
        self._wake()

    def _unanswered(self, why: str) -> ConnectError:
        """The broker hung up instead of answering CONNECT. It does not say why: name what is likely."""
        if not self._mqtt.tls:
            hint = "If it speaks TLS there: mqtt.tls = true"
        elif self._mqtt.cert_file is None:
            hint = "If it wants a certificate of this client: mqtt.cert_file and mqtt.key_file"
        else:
            hint = "Its log may say more"
        text = f"broker {self._mqtt.host}:{self._mqtt.port} ended the connection before answering: {why}. {hint}"
        return ConnectError(Refusal.NO_ANSWER, text)

    def _forget_socket(self) -> None:
        if self._fd >= 0:
            self._loop.remove_reader(self._fd)
            self._loop.remove_writer(self._fd)
            self._fd = -1

    # Paho's callbacks. But for `_on_log` they run inside `_read`, `_write` and `tick`; they note and return, and cannot
    # raise.

    def _on_connect(
        self, _client: paho.Client, _data: Any, _flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.receive_max = getattr(properties, "ReceiveMaximum", self.receive_max)
        self.packet_max = getattr(properties, "MaximumPacketSize", None)
        self.retains = getattr(properties, "RetainAvailable", 1) != 0
        code = reason.value
        if code < _FAILURE and getattr(properties, "MaximumQoS", 1) < 1:
            code = 0x9B  # 'QoS not supported', in the broker's place
        refused = None if code < _FAILURE else of_connack(code, str(reason), self._mqtt, self._client_id)
        if not self._connack.done():
            self._connack.set_result(refused)

    def _on_publish(
        self, _client: paho.Client, _data: Any, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        refused = None
        if reason.value >= _FAILURE:
            said = str(getattr(properties, "ReasonString", ""))[:200]
            refused = f"refused by the broker: 0x{reason.value:02X} {reason}" + (f", {said}" if said else "")
        self.acks.append(Ack(mid, refused))
        self._wake()

    def _on_disconnect(
        self, _client: paho.Client, _data: Any, flags: Any, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if self.lost is None and flags.is_disconnect_packet_from_server:
            self.lost_code = reason.value
            self.lost = f"the broker ended it: 0x{reason.value:02X} {reason}"
        elif self.lost is None and reason.value == _KEEPALIVE:
            self.lost = f"nothing heard for {self._mqtt.keepalive_s} s and no answer to a ping"
        elif self.lost is None:
            self.lost = self._paho_said or "the connection was cut"
        self._loop.call_soon(self._end, self.lost)

    def _on_log(self, _client: paho.Client, _data: Any, level: int, text: str) -> None:
        if level == paho.MQTT_LOG_ERR:
            self._paho_said = text[:200]

    def _on_socket_close(self, _client: paho.Client, _data: Any, _sock: Any) -> None:
        self._forget_socket()

    def _on_register_write(self, _client: paho.Client, _data: Any, _sock: Any) -> None:
        if self._fd >= 0:
            self._loop.add_writer(self._fd, self._write)

    def _on_unregister_write(self, _client: paho.Client, _data: Any, _sock: Any) -> None:
        if self._fd >= 0:
            self._loop.remove_writer(self._fd)


def _in_words(code: MQTTErrorCode) -> str:
    return paho.error_string(code).rstrip(".").lower()


def _drop(client: paho.Client) -> None:
    """Close a client's socket without DISCONNECT. Its callbacks are unhooked first: paho calls them as it is freed."""
    client.on_disconnect = None
    client.on_socket_close = None
    client.on_socket_register_write = None
    client.on_socket_unregister_write = None
    sock = client.socket()
    if sock is not None:
        with contextlib.suppress(OSError):
            sock.close()


def _password(mqtt: Mqtt) -> str | None:
    if mqtt.password_file is not None:
        try:
            return mqtt.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
            raise ConnectError(
                Refusal.FILES, f"mqtt.password_file {mqtt.password_file} cannot be read: {reason}"
            ) from error
    return None if mqtt.password is None else mqtt.password.get_secret_value()


class _TlsSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails, which paho leaves to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        """As in the base class."""
        try:
            super().do_handshake(block)
        except BaseException:  # whatever it was, the caller hears of it and the socket is of no more use
            self.close()
            raise


def _tls_context(mqtt: Mqtt) -> ssl.SSLContext:
    """Certificates and host names are always checked; there is no switch."""
    try:
        context = ssl.create_default_context(cafile=None if mqtt.ca_file is None else str(mqtt.ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ConnectError(Refusal.FILES, f"mqtt.ca_file {mqtt.ca_file} cannot be used: {_short(error)}") from error
    context.sslsocket_class = _TlsSocket
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if mqtt.cert_file is not None:
        key = None if mqtt.key_file is None else str(mqtt.key_file)
        try:
            # An encrypted key would ask at the terminal: an empty answer makes it an error instead.
            context.load_cert_chain(str(mqtt.cert_file), key, password=lambda: "")
        except (OSError, ssl.SSLError, ValueError) as error:
            raise ConnectError(
                Refusal.FILES,
                f"mqtt.cert_file {mqtt.cert_file} with key {key or '(in it)'} cannot be used: {_short(error)}",
            ) from error
    return context


def _short(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
