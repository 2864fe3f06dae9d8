# ruff: noqa: PT017 - in a property, either outcome is right
"""Whatever stands in a file, the answer is settings or one ConfigError with a line for each problem."""

import copy
import tomllib
from datetime import date
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.config.errors import ConfigError
from agent.config.load import from_tables
from agent.config.shape import every_key

COMPLETE = tomllib.loads((Path(__file__).parents[2] / "config_examples" / "complete.toml").read_text())
WORDS = sorted(
    {part for key, _ in every_key() for part in key if part != "*"} | {"heater_open", "window_s", "", "a b", "é\n"}
)
NUMBERS = st.sampled_from([0, 1, -1, 65535, 2**64, 10**400, 0.5, 1e308, -1e-300, float("nan"), float("inf"), True])
TEXTS = st.sampled_from(
    ["", "tcp", "rtu", "b2_east", "heron", "a\nb", "\x00", "x" * 5000, "é", "~", "K", "\ud800", "${x}"]
)
SCALARS = NUMBERS | TEXTS | st.just(date(2026, 1, 1))
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS), inner, max_size=3),
    max_leaves=6,
)
SLOW = settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow])


def attempt(tables):
    try:
        from_tables(tables, Path("config_examples/any.toml"), environ={})
    except ConfigError as error:
        assert len(str(error).splitlines()) == len(error.problems) > 0
        assert all(line.startswith("any.toml: ") and len(line) < 1000 for line in str(error).splitlines())


@given(tables=st.dictionaries(st.sampled_from(WORDS), VALUES, max_size=8))
@SLOW
def test_any_tables_give_settings_or_a_configuration_error(tables):
    attempt(tables)


def paths(value, at=()):
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in items:
        yield (*at, key)
        yield from paths(below, (*at, key))


@given(
    edits=st.lists(st.tuples(st.sampled_from(list(paths(COMPLETE))), VALUES, st.booleans()), min_size=1, max_size=3),
    extra=st.dictionaries(st.sampled_from(WORDS), VALUES, max_size=1),
)
@SLOW
def test_a_good_file_with_a_few_values_gone_wrong_gives_settings_or_a_configuration_error(edits, extra):
    tables = copy.deepcopy(COMPLETE)
    for path, value, remove in edits:
        table = tables
        try:
            for part in path[:-1]:
                table = table[part]
            if remove:
                del table[path[-1]]
            else:
                table[path[-1]] = value
        except (KeyError, TypeError, IndexError):
            continue  # an earlier edit took the place away
    attempt({**tables, **extra})
