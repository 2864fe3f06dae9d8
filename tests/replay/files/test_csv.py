"""CSV as people export it from a historian, read the quick way and with the standard library alone."""

import gzip
import os

import numpy as np
import pytest

from agent.replay.files.folder import HistoryError

pytestmark = pytest.mark.usefixtures("parser")

HOUR = "2026-01-31T04:00:"
PLAIN = f"time,o2,cell_temp\n{HOUR}00Z,4.1,700\n{HOUR}05Z,4.2,701\n{HOUR}10Z,4.3,702\n"
READ = [(0.0, 4.1), (5.0, 4.2), (10.0, 4.3)]


@pytest.mark.parametrize(
    "times",
    [
        [f"{HOUR}00Z", f"{HOUR}05Z", f"{HOUR}10Z"],
        [f"{HOUR}00.000Z", f"{HOUR}05.000Z", f"{HOUR}10.000Z"],
        [f"{HOUR}00.000000000Z", f"{HOUR}05.000000000Z", f"{HOUR}10.000000000Z"],
        [f"{HOUR}00+00:00", "2026-01-31T05:00:05+01:00", "2026-01-31 04:00:10+0000"],
        ["2026-01-31 04:00:00 UTC", "2026-01-31 04:00:05 UTC", "2026-01-31 04:00:10 UTC"],
        ["1769832000", "1769832005", "1769832010"],
        ["1769832000.0", "1769832005.0", "1769832010.0"],
        ["1.769832e9", "1769832005", "1769832010.000"],
        ["1769832000000", "1769832005000", "1769832010000"],
        ["1769832000000000", "1769832005000000", "1769832010000000"],
        ["1769832000000000000", "1769832005000000000", "1769832010000000000"],
        ['"2026-01-31T04:00:00Z"', '"2026-01-31T04:00:05Z"', '"2026-01-31T04:00:10Z"'],
    ],
)
def test_times_are_rfc_3339_or_an_epoch_whose_unit_its_size_tells(site, times):
    site.write("time,o2\n" + "".join(f"{time},{o2}\n" for time, (_, o2) in zip(times, READ, strict=True)))
    assert site.rows() == (READ, [])


@pytest.mark.parametrize(
    "data",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.encode("utf-16"),
        PLAIN.encode("utf-16-le"),
        PLAIN.encode("utf-16-be"),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace("\n", ",\n"),  # a comma at the end of every line
        PLAIN.replace("0\n", "0,,\n").replace("1\n", "1,,\n").replace("2\n", "2,,\n"),  # of every row, not the header
        '"time","o2","cell_temp"\n' + PLAIN.partition("\n")[2],
        "time, o2 , cell_temp\n" + PLAIN.partition("\n")[2],
        "Trend export of boiler 2\n\n" + PLAIN,
        "time,o2,cell_temp\n,% vol,degC\n" + PLAIN.partition("\n")[2],
        PLAIN + "\n\n",
        "time,o2,Bemerkung \xb0C\n".encode("cp1252") + PLAIN.partition("\n")[2].encode(),
        gzip.compress(PLAIN.encode()),
        gzip.compress(PLAIN[:40].encode()) + gzip.compress(PLAIN[40:].encode()),
        gzip.compress(PLAIN.encode("utf-16")),
    ],
)
def test_any_usual_way_to_write_a_csv_file_reads_the_same(site, data):
    site.write(data)
    assert site.rows() == (READ, [])


def test_a_decimal_comma_is_read_where_it_is_configured(site):
    site.configured(history='decimal = ","\ntime_zone = "UTC"')
    site.write("time;o2;cell_temp\n2026-01-31 04:00:00;4,1;700\n2026-01-31 04:00:05;4,2;1.234,5\n")
    rows, problems = site.rows()
    assert rows == READ[:2]
    assert problems == [
        "probe=b2_east/a.csv: column 'cell_temp': '1.234,5' is no number, taken as missing (1 row, first in row 2)"
    ]


def test_columns_of_other_names_and_units_are_mapped_and_the_probes_own_mapping_goes_first(site):
    site.configured(
        east='history_columns = { cell_temp = { column = "E.TEMP_F", scale = 0.5, offset = -16 } }',
        history='time_column = "Zeit"\ncolumns = { o2 = "OXYGEN", cell_temp = "X", load = "BLR LOAD" }',
    )
    site.write(f"Zeit,X,OXYGEN,E.TEMP_F,BLR LOAD,note\n{HOUR}00Z,1,4.1,1432,80,fine\n")
    times, columns, problems = site.read()
    assert times.size == 1
    assert {name: column.tolist() for name, column in columns.items()} == {
        "o2": [4.1],
        "cell_temp": [700.0],
        "load": [80.0],
    }
    assert not problems


def test_a_file_of_several_probes_is_shared_out_by_the_columns_that_their_probes_name(site):
    site.configured(
        east='history_columns = { o2 = "E.O2" }',
        west='history_columns = { o2 = "W.O2" }',
        history='columns = { load = "LOAD", o2 = "O2" }',
    )
    site.write(f"time,E.O2,W.O2,LOAD,O2,cell_temp\n{HOUR}00Z,4.1,5.1,80,9,700\n", "plant.csv")
    history = site.open()
    assert history.probes == ("b2_east", "b2_west")
    for probe, o2 in (("b2_east", 4.1), ("b2_west", 5.1)):
        columns = site.read(probe)[1]
        assert {name: column.tolist() for name, column in columns.items()} == {"o2": [o2], "load": [80.0]}


def test_words_for_no_value_are_missing_and_unknown_ones_are_counted(site):
    words = ["Bad", "No Data", "", "NaN", "BAD INPUT", "#N/A", "null", "4.2", "Stoerung", "1_000", "12.3.4", "٤"]
    site.write(
        "time,o2,heater_on\n" + "".join(f"{HOUR}{i:02d}Z,{word},{i % 2}\n" for i, word in enumerate(words)),
    )
    rows, problems = site.rows()
    assert rows == [(float(i), 4.2 if word == "4.2" else None) for i, word in enumerate(words)]
    assert problems == [
        f"probe=b2_east/a.csv: column 'o2': {word!r} is no number, taken as missing (1 row, first in row {row})"
        for word, row in (("12.3.4", 11), ("1_000", 10), ("Stoerung", 9), ("٤", 12))
    ]


def test_flags_may_be_words_and_what_is_neither_0_nor_1_is_missing(site):
    words = ["on", "OFF", "True", "false", "1", "0", "1.0", "2", "0.5", "-1", "on fire", ""]
    site.write("time,heater_on\n" + "".join(f"{HOUR}{i:02d}Z,{word}\n" for i, word in enumerate(words)))
    _, columns, problems = site.read()
    assert columns["heater_on"].tolist()[:7] == [1, 0, 1, 0, 1, 0, 1]
    assert np.isnan(columns["heater_on"][7:]).all()
    assert problems.rows_by_kind == {
        "column 'heater_on': 'on fire' is no number, taken as missing": 1,
        "heater_on neither 0 nor 1, taken as missing": 3,
    }


def test_infinite_and_impossible_values_are_missing_and_counted(site):
    values = ["4.1", "inf", "-Infinity", "1e400", "101", "-0.1", "0", "100", "3276.7"]
    site.write("time,o2\n" + "".join(f"{HOUR}{i:02d}Z,{value}\n" for i, value in enumerate(values)))
    rows, problems = site.rows()
    assert [o2 for _, o2 in rows] == [4.1, None, None, None, None, None, 0, 100, None]
    assert problems == [
        "probe=b2_east/a.csv: o2 outside 0 to 100 % vol: no such value, taken as missing (6 rows, first in row 2)"
    ]


def test_times_that_cannot_be_drop_their_rows_and_are_counted(site):
    site.write(f"time,o2\n{HOUR}00Z,4.1\n1970-01-01T00:00:05Z,9\nnever,9\n,9\n2026-02-31T04:00:00Z,9\n{HOUR}05Z,4.2\n")
    rows, problems = site.rows()
    assert rows == READ[:2]
    assert problems == [
        "probe=b2_east/a.csv: a time before 1990 or after 2100: row dropped (1 row, first in row 2)",
        "probe=b2_east/a.csv: no time that can be read: row dropped (3 rows, first in row 3)",
    ]


def test_rows_with_too_few_or_too_many_cells_are_dropped_and_counted(site):
    site.write(f"time,o2,cell_temp\n{HOUR}00Z,4.1,700\n{HOUR}05Z,4\n{HOUR}06Z,4,700,8\n{HOUR}05Z,4.2,700,\n")
    rows, problems = site.rows()
    assert rows == READ[:2]
    assert problems == [
        "probe=b2_east/a.csv: not 3 cells as in the header: row dropped (2 rows, first in row 2)",
    ]


def test_times_without_a_zone_are_refused_until_one_is_configured(site):
    site.write("time,o2\n2026-01-31 05:00:00,4.1\n2026-01-31 05:00:05,4.2\n")
    rows, problems = site.rows()
    assert rows == []
    assert problems == [
        "probe=b2_east/a.csv: not used: its times name no zone: say which one they are in, as "
        '[history].time_zone = "UTC" or "Europe/Oslo"'
    ]
    site.configured(history='time_zone = "Europe/Oslo"')
    assert site.rows() == (READ[:2], [])


# Oslo 2026: forward on 29 March 02:00 -> 03:00 (01:00 UTC), back on 25 October 03:00 -> 02:00 (01:00 UTC); European
# Union directive 2000/84/EC.
def _wall(day, clocks):
    return "".join(f"2026-{day} {clock}:00,{i}\n" for i, clock in enumerate(clocks))


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_hour_that_comes_twice_in_autumn_is_told_by_the_order_of_rows(site, newest_first):
    site.configured(history='time_zone = "Europe/Oslo"')
    lines = _wall("10-25", ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]).splitlines()
    site.write("time,o2\n" + "".join(f"{line}\n" for line in (lines[::-1] if newest_first else lines)))
    times, columns, problems = site.read()
    assert np.diff(times).tolist() == [1800.0] * 5
    assert times[0] == 1_792_884_600.0  # 2026-10-24T23:30Z: Oslo is two hours ahead until 01:00Z
    assert columns["o2"].tolist() == [0, 1, 2, 3, 4, 5]
    assert not problems


def test_where_order_does_not_tell_the_repeated_hour_is_dropped_and_so_is_the_one_that_spring_leaves_out(site):
    site.configured(history='time_zone = "Europe/Oslo"')
    site.write(
        "time,o2\n" + _wall("03-29", ["01:30", "02:30", "03:30"]) + _wall("10-25", ["01:30", "02:00", "02:30", "03:00"])
    )
    times, columns, problems = site.read()
    assert columns["o2"].tolist() == [0, 2, 0, 3]
    assert np.diff(times)[[0, 2]].tolist() == [3600.0, 3600.0 * 2.5]
    assert problems.rows_by_kind == {
        "a time that clocks leave out in spring: row dropped": 1,
        "the hour that clocks repeat in autumn, and no telling which: row dropped": 2,
    }


BAD = [
    (b"", "it is empty"),
    (b"\n \n", "it is empty"),
    (b"PK\x03\x04 something", "it is a zip archive or a spreadsheet: save it as CSV"),
    (b"PAR1 something", "it is a Parquet file: name it .parquet"),
    (os.urandom(4000).replace(b"\0", b"x").replace(b"\n", b"x"), "it is no CSV text"),
    (b"a\0b\0\0\0\0\1" * 100, "it is no CSV text"),
    (b"when,o2\n2026-01-31T04:00:00Z,4\n", "no time column: it has 'when', 'o2'; name the one with the time in"),
    (b"time,oxygen\n2026-01-31T04:00:00Z,4\n", "no column of a known signal: it has 'oxygen'; say which is which in"),
    (b"time,02\n2026-01-31T04:00:00Z,4\n", "no column of a known signal"),
    (b"time,flue_temp\n2026-01-31T04:00:00Z,4\n", "it has 'flue_temp', none of them mapped for this probe"),
    (b"time,o2,o2\n2026-01-31T04:00:00Z,4,5\n", "2 columns are called 'o2'"),
    (b"time,o2\n31.01.2026 04:00,4\n", "the time '31.01.2026 04:00' cannot be read: wanted is 2026-01-31T04:05:06Z"),
    (b"time,tag,value\n2026-01-31T04:00:00Z,B2.O2,4\n", "one row for each value of each tag"),
    (gzip.compress(b"")[:12], "it is empty"),
]


@pytest.mark.parametrize(("data", "told"), BAD)
def test_what_cannot_be_used_is_named_with_what_would_be_right_and_the_other_files_are_read(site, data, told):
    site.write(PLAIN, "probe=b2_east/b.csv")
    site.write(data)
    rows, problems = site.rows()
    assert rows == READ
    assert len(problems) == 1
    assert problems[0].startswith("probe=b2_east/a.csv: not used: ")
    assert told in problems[0]
    assert len(problems[0]) < 600


def test_a_folder_named_like_a_file_and_one_that_may_not_be_read_are_named(site):
    (site.folder / "probe=b2_east/day.csv").mkdir()
    secret = site.write(PLAIN, "probe=b2_east/secret.csv.gz")
    secret.chmod(0)
    site.write(PLAIN, "probe=b2_eats/a.csv")
    history = site.open()
    assert history.noticed.lines() == [
        "probe=b2_eats: not used: no probe 'b2_eats' is configured, did you mean 'b2_east'?"
    ]
    _, problems = site.rows()
    assert "probe=b2_east/day.csv: not used: it is a folder" in problems
    if os.getuid():
        assert "probe=b2_east/secret.csv.gz: not used: this user may not read it" in problems


def test_of_a_packed_file_cut_in_its_middle_the_whole_lines_before_the_cut_are_used(site):
    rows = [(float(i), i % 90 + 0.25) for i in range(3000)]
    text = "time,o2\n" + "".join(f"{1769832000 + i:.0f},{o2}\n" for i, o2 in rows)
    whole = gzip.compress(text.encode())
    site.write(whole[: len(whole) // 2], "probe=b2_east/a.csv.gz")
    found, problems = site.rows()
    assert 500 < len(found) < 2900
    assert found == rows[: len(found)]
    assert problems == ["probe=b2_east/a.csv.gz: cut short: it ends in the middle; the rows before that are used"]
    site.write(whole[:-8] + b"\0" * 8, "probe=b2_east/a.csv.gz")
    assert site.rows() == (
        [],
        ["probe=b2_east/a.csv.gz: not used: damaged (Error -3 while decompressing data: incorrect data check)"],
    )


def test_a_last_line_without_its_end_may_be_cut_and_is_not_believed(site):
    site.write(PLAIN + f"{HOUR}15Z,20.9")
    rows, problems = site.rows()
    assert rows == READ
    assert problems == ["probe=b2_east/a.csv: the last line has no end, as if cut short: not used (1 row)"]


def test_numbers_come_back_bit_for_bit(site):
    random = np.random.default_rng(1)
    values = np.concatenate(
        [random.random(2000) * 100, random.integers(0, 10000, 500) / 100.0, [5e-324, 0.1 + 0.2, -0.0]]
    )
    site.write("time,o2\n" + "".join(f"{1769832000 + i},{value!r}\n" for i, value in enumerate(values.tolist())))
    _, columns, problems = site.read()
    assert columns["o2"].tobytes() == values.tobytes()
    assert not problems


def test_a_column_filled_only_on_change_is_named_and_nothing_is_filled_in(site):
    site.write(
        "time,o2,cell_temp\n" + "".join(f"{1769832000 + i},{i % 7},{700 if i == 0 else ''}\n" for i in range(3000))
    )
    _, columns, problems = site.read()
    assert np.isnan(columns["cell_temp"][1:]).all()
    assert [str(entry) for entry in problems] == [
        "probe b2_east: cell_temp is missing in 98 % of the rows; where a historian writes only changes, export it at "
        "fixed times"
    ]


def test_nothing_to_read_says_what_was_looked_for(site):
    with pytest.raises(HistoryError, match="no history of a configured probe; looked for probe=<id>"):
        site.open()
    site.write(b"junk", "plant.csv")
    with pytest.raises(
        HistoryError, match=r"plant.csv: not used: none of its columns is named in a probe's history_col"
    ):
        site.open()
    site.folder = site.path / "nowhere"
    with pytest.raises(HistoryError, match="no such folder"):
        site.open()


def test_the_recorders_own_files_are_read_as_they_are_whatever_is_mapped_for_others(site):
    site.configured(history='decimal = ","\ncolumns = { cell_temp = { column = "cell_temp", scale = 0.5 } }')
    text = f"time,o2,cell_temp,heater_on\n{HOUR}00.000Z,4.1,700,1\n"
    site.write(gzip.compress(text.encode()), "probe=b2_east/date=2026-01-31.csv.gz")
    site.write(f"time;cell_temp\n{HOUR}01Z;1400,5\n", "probe=b2_east/other.csv")
    _, columns, problems = site.read()
    assert columns["cell_temp"].tolist() == [700.0, 700.25]
    assert not problems


def test_the_recorders_files_of_an_earlier_map_and_files_parted_by_commas_have_decimal_points(site):
    site.configured(history='decimal = ","\ncolumns = { cell_temp = { column = "T", scale = 0.5 } }')
    site.write(f"time,cell_temp,o2\n{HOUR}00.000Z,700.5,4.1\n", "probe=b2_east/date=2026-01-31.csv.gz")
    site.write(f"time,T\n{HOUR}05.000Z,1401.5\n", "probe=b2_east/b.csv")
    _, columns, problems = site.read()
    assert columns["cell_temp"].tolist() == [700.5, 700.75]
    assert not problems


def test_times_in_our_own_layout_are_utc_where_they_name_no_zone(site):
    site.write("time,o2\n2026-01-31 04:00:00,4.1\n", "probe=b2_east/date=2026-01-31.csv")
    assert site.rows() == (READ[:1], [])
