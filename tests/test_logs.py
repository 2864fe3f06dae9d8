import errno
import io
import json

from agent.config.model import Log
from agent.logs import make_log, where


class FullDisk(io.StringIO):
    def flush(self):
        raise OSError(errno.ENOSPC, "No space left on device")


def test_elsewhere_than_on_a_terminal_a_line_is_one_json_object_with_a_time_and_a_level():
    out = io.StringIO()
    make_log(Log(), out).warning("link_changed", line="one", new="timeout")
    line = json.loads(out.getvalue())
    assert (line["event"], line["line"], line["new"], line["level"]) == ("link_changed", "one", "timeout", "warning")
    assert line["timestamp"].endswith("Z")


def test_for_people_a_line_is_readable():
    out = io.StringIO()
    make_log(Log(format="console"), out).info("alert", headline="heater ageing")
    assert "heater ageing" in out.getvalue()
    assert "{" not in out.getvalue()


def test_below_its_level_nothing_is_written():
    out = io.StringIO()
    make_log(Log(level="error"), out).warning("link_changed")
    assert out.getvalue() == ""


def test_a_line_that_cannot_be_written_ends_nothing():
    make_log(Log(), FullDisk()).error("store_cannot_write")
    out = io.StringIO()
    log = make_log(Log(), out)
    out.close()
    log.error("store_cannot_write")


def test_where_an_error_came_from_is_one_line_with_the_innermost_place_first():
    def inner():
        raise ValueError("x")

    try:
        inner()
    except ValueError as error:
        said = where(error)
    assert said.startswith("test_logs.py:")
    assert said.split(" < ")[0].endswith(" inner")
    assert "\n" not in said
