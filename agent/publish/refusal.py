"""Why there is no connection to the broker: a closed set of kinds, each saying what would be right."""

import socket
import ssl
from enum import StrEnum

from agent.config.model import Mqtt

__all__ = ["ConnectError", "Refusal", "of_connack", "of_exception"]


class Refusal(StrEnum):
    """What stands between us and the broker."""

    DNS = "dns"
    UNREACHABLE = "unreachable"
    NO_ANSWER = "no_answer"  # connected, and nothing or nonsense came
    LOST = "lost"
    BUSY = "busy"
    TLS = "tls"
    FILES = "files"  # of certificates or the password
    PLAIN_PASSWORD = "plain_password"  # noqa: S105 - a kind, not a password
    CREDENTIALS = "credentials"
    PROTOCOL = "protocol"
    CLIENT_ID = "client_id"
    TAKEN_OVER = "taken_over"
    FEATURES = "features"  # the broker lacks what we need


_PASSING = {Refusal.DNS, Refusal.UNREACHABLE, Refusal.NO_ANSWER, Refusal.LOST, Refusal.BUSY}


class ConnectError(Exception):
    """No connection. `slow`: a person has to mend it, so there is no hurry to try again."""

    def __init__(self, kind: Refusal, message: str) -> None:
        super().__init__(message)
        self.kind = kind

    @property
    def slow(self) -> bool:
        """It will not pass by itself."""
        return self.kind not in _PASSING


# Reason codes of CONNACK, MQTT 5.0 section 3.2.2.2; those of 3.1.1 are mapped to these before.
_CONNACK = {
    0x84: (Refusal.PROTOCOL, "does not speak this version of MQTT: set mqtt.protocol to one that it speaks"),
    0x85: (Refusal.CLIENT_ID, "does not accept the client id {client_id!r}: set mqtt.client_id to one that it allows"),
    0x86: (Refusal.CREDENTIALS, "refuses user {user} or the password: check mqtt.username and mqtt.password_file"),
    0x87: (Refusal.CREDENTIALS, "does not allow user {user} as client {client_id!r}: check the broker's own rules"),
    0x88: (Refusal.BUSY, "is not available now"),
    0x89: (Refusal.BUSY, "is busy"),
    0x8A: (Refusal.CREDENTIALS, "has banned the client {client_id!r}: ask who runs the broker"),
    0x8C: (Refusal.CREDENTIALS, "wants another way of authentication than user and password, or a certificate"),
    0x97: (Refusal.BUSY, "has reached a quota"),
    0x9A: (Refusal.FEATURES, "keeps no retained messages, which alerts need: switch them on in the broker"),
    0x9B: (Refusal.FEATURES, "does not do QoS 1, without which nothing is ever confirmed: allow it in the broker"),
    0x9F: (Refusal.BUSY, "sees too many connections in a short time"),
}


def of_connack(code: int, name: str, mqtt: Mqtt, client_id: str) -> ConnectError:
    """A refusal in the broker's own words (reason code of MQTT 5.0)."""
    kind, text = _CONNACK.get(code, (Refusal.CREDENTIALS, "refuses the connection"))
    user = "(none)" if mqtt.username is None else repr(mqtt.username)
    said = text.format(user=user, client_id=client_id)
    return ConnectError(kind, f"broker {mqtt.host}:{mqtt.port} {said} (0x{code:02X} {name})")


def of_exception(error: Exception, mqtt: Mqtt) -> ConnectError:
    """A failure on the way to the broker."""
    at = f"broker {mqtt.host}:{mqtt.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return ConnectError(Refusal.TLS, f"{at}: its certificate is refused: {_certificate(error, mqtt)}")
    if isinstance(error, ssl.SSLError):
        return ConnectError(Refusal.TLS, f"{at}: no TLS: {_handshake(error)}")
    if isinstance(error, ConnectionResetError) and mqtt.tls:
        return ConnectError(
            Refusal.NO_ANSWER,
            f"{at}: it hung up while TLS was being agreed on: perhaps what answers there speaks none. "
            "Set mqtt.port to the broker's TLS port (usually 8883)",
        )
    if isinstance(error, socket.gaierror):
        return ConnectError(
            Refusal.DNS, f"{at}: the name {mqtt.host!r} is not found ({error.strerror}): check mqtt.host and the DNS"
        )
    if isinstance(error, ConnectionRefusedError):
        return ConnectError(Refusal.UNREACHABLE, f"{at}: nothing listens there: check mqtt.port and the broker")
    if isinstance(error, TimeoutError):
        return ConnectError(Refusal.UNREACHABLE, f"{at}: no answer in time: check the network and the firewall")
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return ConnectError(Refusal.UNREACHABLE, f"{at}: {reason}")


# X509_V_ERR_*, https://docs.openssl.org/3.0/man3/X509_STORE_CTX_get_error/
_NOT_YET, _EXPIRED, _SELF_SIGNED, _SELF_SIGNED_IN_CHAIN, _NO_ISSUER, _NO_FIRST, _HOST, _IP = (
    9,
    10,
    18,
    19,
    20,
    21,
    62,
    64,
)


def _certificate(error: ssl.SSLCertVerificationError, mqtt: Mqtt) -> str:
    code = error.verify_code
    if code in {_HOST, _IP}:
        return (
            f"it is not made out to {mqtt.host!r}. Set mqtt.host to a name that stands in the certificate, "
            f"or have one made that names {mqtt.host!r}"
        )
    if code in {_SELF_SIGNED, _SELF_SIGNED_IN_CHAIN, _NO_ISSUER, _NO_FIRST}:
        ca = "the system's authorities" if mqtt.ca_file is None else str(mqtt.ca_file)
        return f"{ca} did not sign it. Set mqtt.ca_file to the certificate of the authority that did"
    if code == _EXPIRED:
        return "it has expired, or this machine's clock is wrong. Renew it, or set the clock"
    if code == _NOT_YET:
        return "it is not valid yet, or this machine's clock is wrong. Set the clock"
    return error.verify_message


def _handshake(error: ssl.SSLError) -> str:
    reason = error.reason or str(error)
    if reason in {"WRONG_VERSION_NUMBER", "HTTP_REQUEST", "RECORD_LAYER_FAILURE", "UNEXPECTED_EOF_WHILE_READING"}:
        return "what answers there speaks none. Set mqtt.port to the broker's TLS port (usually 8883)"
    if "CERTIFICATE_REQUIRED" in reason or "HANDSHAKE_FAILURE" in reason:
        return "the broker wants a certificate of this client. Set mqtt.cert_file and mqtt.key_file"
    if "UNKNOWN_CA" in reason:
        return "the broker does not know who signed this client's certificate. Check mqtt.cert_file"
    return reason.lower().replace("_", " ")
