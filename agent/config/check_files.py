"""Files that the settings name, and how the broker is spoken to: relative paths made whole, contents looked at."""

from collections.abc import Iterator
from pathlib import Path

from agent.config.environment import read_secret
from agent.config.errors import Key, shown
from agent.config.model import Mqtt, Settings
from agent.config.toml_file import read_small_file

__all__ = ["check_files", "with_whole_paths"]

_PEM = ("ca_file", "cert_file", "key_file")
_FILES = (*_PEM, "password_file")
_LARGEST_PEM = 4 * 2**20  # a system's whole bundle of authorities is about 250 kB
_LONGEST_PATH = 300  # characters that a message repeats
_ANY_TLS = ("ca_file", "cert_file", "key_file")


def with_whole_paths(settings: Settings, folder: Path) -> Settings:
    """Relative paths start at the configuration's folder, not wherever the service was started."""
    files = {name: folder / path for name in _FILES if (path := getattr(settings.mqtt, name)) is not None}
    mqtt = settings.mqtt.model_copy(update=files)
    return settings.model_copy(update={"data_dir": folder / settings.data_dir, "mqtt": mqtt})


def check_files(settings: Settings) -> Iterator[tuple[Key, str]]:
    """Faults of `data_dir` and of the broker's files and passwords. Paths must be whole already."""
    yield from _check_data_dir(settings.data_dir)
    mqtt = settings.mqtt
    for name in _PEM:
        if (path := getattr(mqtt, name)) is not None and (why := _pem_fault(path)):
            # A path that somebody took for the key itself must not be repeated.
            yield ("mqtt", name), why if name == "key_file" else f"{shown(str(path), _LONGEST_PATH)} {why}"
    yield from _check_password(mqtt)
    yield from _check_tls(mqtt)


def _check_data_dir(path: Path) -> Iterator[tuple[Key, str]]:
    try:
        for ancestor in (path, *path.parents):
            if ancestor.exists():
                if not ancestor.is_dir():
                    yield ("data_dir",), f"{shown(str(ancestor), _LONGEST_PATH)} is a file, a folder is wanted"
                return
    except (OSError, ValueError):
        yield ("data_dir",), "is no name of a folder that can be looked at by this user"


def _pem_fault(path: Path) -> str:
    content = read_small_file(path, _LARGEST_PEM)
    if isinstance(content, str):
        return content
    return "" if b"-----BEGIN " in content else "is not a PEM file: no '-----BEGIN' in it"


def _check_password(mqtt: Mqtt) -> Iterator[tuple[Key, str]]:
    if mqtt.password_file is not None and mqtt.password is not None:
        yield ("mqtt", "password_file"), "is given as well as mqtt.password: keep one"
    if mqtt.password_file is not None and (problem := read_secret(mqtt.password_file).problem):
        yield ("mqtt", "password_file"), f"the file {problem}"  # its name may be the password, put there by mistake
    if mqtt.password is not None and not mqtt.password.get_secret_value():
        yield ("mqtt", "password"), "is empty: leave it out, or give one"
    given = [name for name in ("password", "password_file") if getattr(mqtt, name) is not None]
    if given and mqtt.username is None and mqtt.protocol != "5":
        yield ("mqtt", given[0]), 'needs mqtt.username: only MQTT 5 (protocol = "5") knows a password alone'
    if given and not mqtt.tls and not mqtt.plain_password:
        yield (
            ("mqtt", given[0]),
            "would cross the network unencrypted: set mqtt.tls = true, "
            'or say mqtt.plain_password = "the network is trusted"',
        )


def _check_tls(mqtt: Mqtt) -> Iterator[tuple[Key, str]]:
    if not mqtt.tls:
        for name in _ANY_TLS:
            if getattr(mqtt, name) is not None:
                yield ("mqtt", name), "is for TLS, but mqtt.tls is false: leave it out, or set tls = true"
    elif mqtt.key_file is not None and mqtt.cert_file is None:
        yield ("mqtt", "key_file"), "needs mqtt.cert_file"
