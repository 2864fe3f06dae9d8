"""The configuration of the invented plant: `plant.toml`, with the ports and places that only the run knows."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from agent.config.model import Mqtt, Settings

__all__ = ["demo_settings", "plant_settings"]


@cache
def plant_settings() -> Settings:
    """The plant as its file has it."""
    return Settings.model_validate(_template())


def demo_settings(*, ports: Mapping[str, int], data_dir: Path, mqtt: Mqtt | None = None) -> Settings:
    """A runnable configuration of the plant.

    `ports` has the TCP port of each line, as `ModbusServer.start` gives them; `mqtt` replaces the file's broker.
    Raises KeyError for a line that has no port.
    """
    given = _template()
    given["data_dir"] = str(data_dir)
    for line_id, line in given["lines"].items():
        line["port"] = ports[line_id]
    settings = Settings.model_validate(given)
    return settings if mqtt is None else settings.model_copy(update={"mqtt": mqtt})


def _template() -> dict[str, Any]:
    return tomllib.loads(files("agent.simulate").joinpath("plant.toml").read_text(encoding="utf-8"))
