"""Files of closed days: whole or not at all, mended by being written again."""

import gzip
import shutil
import subprocess

import pytest

from agent.store.day_files import Part, day_path, merged, read_day, sweep, write_day


def lines(*seconds, value=1):
    return [f"1970-01-02T00:00:{second:02d}.000Z,{value}" for second in seconds]


def done(steps):
    for _ in steps:
        pass


def test_a_day_is_one_gzip_that_any_tool_opens(tmp_path):
    path = day_path(tmp_path, "east", 1)
    done(write_day(path, Part(("o2",), lines(1, 2))))
    assert path == tmp_path / "probe=east" / "date=1970-01-02.csv.gz"
    assert gzip.decompress(path.read_bytes()).decode() == (
        "time,o2\n1970-01-02T00:00:01.000Z,1\n1970-01-02T00:00:02.000Z,1\n"
    )
    assert read_day(path) == Part(("o2",), lines(1, 2))
    if shutil.which("gzip"):
        subprocess.run(["gzip", "--test", path], check=True)


def test_the_same_day_is_the_same_bytes(tmp_path):
    part = Part(("o2",), lines(*range(50)))
    for name in ("a", "b"):
        done(write_day(tmp_path / name / "date=1970-01-02.csv.gz", part))
    assert (tmp_path / "a/date=1970-01-02.csv.gz").read_bytes() == (tmp_path / "b/date=1970-01-02.csv.gz").read_bytes()


def test_a_crash_at_any_step_leaves_the_old_file_or_the_new(tmp_path):
    path = day_path(tmp_path, "east", 1)
    many = [f"1970-01-02T{h:02d}:{m:02d}:{s:02d}.000Z,2" for h in range(1) for m in range(60) for s in range(60)]
    old, new = Part(("o2",), lines(1)), Part(("o2",), many)
    steps = 0
    while True:
        done(write_day(path, old))
        writing = write_day(path, new)
        ended = False
        try:
            for _ in range(steps):
                next(writing)
        except StopIteration:
            ended = True
        image = tmp_path.parent / f"image{steps}"  # what a crash here leaves
        shutil.copytree(tmp_path, image)
        assert read_day(day_path(image, "east", 1)) == (new if ended else old)
        assert sweep(image) == (0 if ended or steps == 0 else 1)
        assert [p.name for p in (image / "probe=east").iterdir()] == [path.name]
        writing.close()
        if ended:
            break
        steps += 1
    assert steps > 3


def test_a_full_disk_leaves_no_half_a_file(tmp_path):
    if not shutil.which("mount"):
        pytest.skip("no mount")
    place = tmp_path / "tiny"
    place.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", place], capture_output=True).returncode:
        pytest.skip("only root may mount")
    try:
        path = day_path(place, "east", 1)
        import random

        draw = random.Random(1)
        big = [f"1970-01-02T00:00:{i % 60:02d}.{i % 1000:03d}Z,{draw.random()}" for i in range(20_000)]
        with pytest.raises(OSError, match="space"):
            done(write_day(path, Part(("o2",), big)))
        assert list(place.rglob("*.gz*")) == []
        done(write_day(path, Part(("o2",), lines(1))))
    finally:
        subprocess.run(["umount", place], check=True)


def test_parts_join_in_order_of_time_under_all_columns_the_first_word_stays():
    found = merged(
        [
            Part(("o2",), ["1970-01-02T00:00:05.000Z,5", "1970-01-02T00:00:07.000Z,7"]),
            Part(("load", "o2"), ["1970-01-02T00:00:05.000Z,50,55", "1970-01-02T00:00:06.000Z,60,6"]),
        ]
    )
    assert found == Part(
        ("o2", "load"),
        ["1970-01-02T00:00:05.000Z,5,", "1970-01-02T00:00:06.000Z,6,60", "1970-01-02T00:00:07.000Z,7,"],
    )


@pytest.mark.parametrize(
    "damage", [b"", b"not gzip", gzip.compress(b"when,o2\n1,2\n"), gzip.compress(b"time,o2\n")[:-3]]
)
def test_a_file_that_is_no_day_says_so(tmp_path, damage):
    path = tmp_path / "date=1970-01-02.csv.gz"
    path.write_bytes(damage)
    with pytest.raises(ValueError, match="date=1970-01-02"):
        read_day(path)
