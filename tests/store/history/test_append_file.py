"""Files that only grow: cut anywhere, they go on after the last whole line, and hold nothing twice."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.store.append_file import append_lines, read_tail


def whole(line):
    return line.startswith("<") and line.endswith(">")


def text(found):
    return "".join(f"{line}\n" for line in found)


@settings(max_examples=40)
@given(
    count=st.integers(0, 8),
    cut=st.integers(0, 400),
    tail=st.sampled_from([b"", b"\0" * 40, b"<half", b"\xff\xfe\n\n", b"<x\n"]),
)
def test_any_cut_and_any_rubbish_at_the_end_is_mended(tmp_path_factory, count, cut, tail):
    path = tmp_path_factory.mktemp("cut") / "file"
    first = [f"<{i}{'.' * i}>" for i in range(count)]
    append_lines(path, first, whole=whole)
    data = path.read_bytes()[: max(0, len(path.read_bytes()) - cut)]
    path.write_bytes(data + tail)
    kept = [line for line in first if f"{line}\n".encode() in data]
    torn = append_lines(path, ["<new>"], whole=whole)
    assert path.read_text() == text([*kept, "<new>"])
    if kept:
        assert torn == len(data + tail) - len(text(kept))
    assert read_tail(path) == [*kept, "<new>"]


def test_lines_longer_than_what_is_read_at_once_are_whole_too(tmp_path):
    path = tmp_path / "file"
    long = "<" + "x" * 50_000 + ">"
    for _ in range(3):
        append_lines(path, [long, long], whole=whole)
    path.write_bytes(path.read_bytes()[:-7])
    assert append_lines(path, ["<n>"], whole=whole) > 49_000
    assert path.read_text() == text([*[long] * 5, "<n>"])
    assert read_tail(path)[-1] == "<n>"


def test_a_file_with_nothing_whole_in_it_is_kept_beside(tmp_path):
    path = tmp_path / "file"
    for _ in range(2):
        path.write_text("somebody else's\n")
        append_lines(path, ["<mine>"], whole=whole, header="<head>")
        assert path.read_text() == "<head>\n<mine>\n"
    kept = sorted(tmp_path.glob("file.damaged*"))
    assert [one.name for one in kept] == ["file.damaged", "file.damaged-2"]
    assert all(one.read_text() == "somebody else's\n" for one in kept)


def test_no_file_has_no_tail(tmp_path):
    assert read_tail(tmp_path / "none") == []


def test_what_cannot_be_opened_raises(tmp_path):
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError):
        append_lines(tmp_path / "folder", ["<a>"], whole=whole)
