"""Read the configuration: a TOML file, secrets and the environment over it, checked as a whole before anything runs."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import SecretStr, ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from agent.config.check_files import check_files, with_whole_paths
from agent.config.check_history import check_history
from agent.config.check_maps import check_maps
from agent.config.check_probes import check_probes, with_symmetric_twins
from agent.config.detector_settings import check_detectors
from agent.config.environment import read_environment, read_secrets
from agent.config.errors import ConfigError
from agent.config.explain import Places, explain
from agent.config.model import Settings
from agent.config.toml_file import read_toml

__all__ = ["Loaded", "from_tables", "load", "load_settings"]


@dataclass(frozen=True, slots=True)
class Loaded:
    """The settings, and where each key came from."""

    settings: Settings
    path: Path
    places: Places


def load_settings(path: Path, *, environ: Mapping[str, str] | None = None) -> Settings:
    """The checked settings of the file at `path`, with what the environment and its secrets folder say over it.

    Parameters
    ----------
    path
        The TOML file. Relative paths in the settings start at its folder.
    environ
        The environment; the process's own when None. See `agent.config.environment` for the names.

    Raises
    ------
    ConfigError
        With every problem that was found, a line for each; never with a secret.
    """
    return load(path, environ=environ).settings


def load(path: Path, *, environ: Mapping[str, str] | None = None) -> Loaded:
    """As `load_settings`, with where each key came from."""
    return from_tables(read_toml(path), path, environ=os.environ if environ is None else environ)


def from_tables(tables: Mapping[str, Any], path: Path, *, environ: Mapping[str, str]) -> Loaded:
    """As `load`, of tables that are read already; `path` names them in messages and is where relative paths start."""
    in_file = _wrapped(tables)
    environment = read_environment(environ, in_file)
    secrets = read_secrets(environ, in_file)
    places = Places(path.name, environment.origins, secrets.origins, in_file)
    problems = [*environment.problems, *secrets.problems]
    values = _joined(_wrapped(environment.values), _wrapped(secrets.values), in_file)
    settings = None
    try:
        settings = Settings.model_validate(values)
    except ValidationError as error:
        problems += explain(error.errors(include_url=False), places, values)
    if settings is not None:
        settings = with_whole_paths(settings, path.absolute().parent)
        for check in (check_maps, check_probes, check_history, check_files, check_detectors):
            problems += [places.problem(key, text) for key, text in check(settings)]
        settings = with_symmetric_twins(settings)
    if problems or settings is None:  # raised outside `except`: pydantic's error quotes its input
        raise ConfigError(dict.fromkeys(problems))
    return Loaded(settings, path, places)


def _joined(*layers: Mapping[str, Any]) -> dict[str, Any]:
    """Nested tables over each other, the first layer the strongest."""
    return dict(_Layers(layers=layers).model_extra or {})  # type: ignore[call-arg]


def _wrapped(values: Mapping[str, Any]) -> dict[str, Any]:
    """The same tables with the password in a wrapper, so that nothing on the way can print it."""
    mqtt = values.get("mqtt")
    if isinstance(mqtt, dict) and isinstance(mqtt.get("password"), str):
        return {**values, "mqtt": {**mqtt, "password": SecretStr(mqtt["password"])}}
    return dict(values)


class _Layers(BaseSettings):
    """Joins the layers. The reading is ours: the library's own sources pass over a file that is not there, over
    names that they do not know, and over ids with a hyphen."""

    model_config = SettingsConfigDict(extra="allow")

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """One source a layer."""
        return tuple(_Layer(settings_cls, layer) for layer in init_settings()["layers"])


class _Layer(PydanticBaseSettingsSource):
    def __init__(self, settings_cls: type[BaseSettings], values: Mapping[str, Any]) -> None:
        super().__init__(settings_cls)
        self._values = values

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:  # noqa: ARG002
        return self._values.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        return dict(self._values)
