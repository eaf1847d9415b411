"""The CSV: the same as the simulator's own trace, column by column, where both have the same thing."""

import csv

from loopwarden_report.csv_file import columns, write_csv
from loopwarden_sim.trace import columns as trace_columns


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def same(cell):
    """A number at the six digits that the trace has, a text as it is."""
    try:
        return float(f"{float(cell):.6g}")
    except ValueError:
        return cell


def test_every_column_of_the_trace_that_a_board_could_tell_is_in_it_and_the_same(welded, tmp_path):
    drive, trace = welded
    path = tmp_path / "drive.csv"
    assert write_csv(drive.history, path) == 3500
    found, truth = rows_of(path), rows_of(trace)
    shared = [name for name in truth[0] if name in found[0]]
    assert set(truth[0]) - set(shared) == {name for name in truth[0] if name.startswith("world_")}
    assert len(found) == len(truth)
    for name in shared:
        assert [same(row[name]) for row in found] == [same(row[name]) for row in truth], name


def test_what_is_not_known_is_empty(welded, tmp_path):
    drive, _ = welded
    path = tmp_path / "drive.csv"
    write_csv(drive.history, path)
    dark = [row for row in rows_of(path) if row["phase"] == "unpowered"]
    assert len(dark) > 100
    assert {row["in_bus_v"] for row in dark} == {""}
    assert {row["in_isolation_ohm_per_v"] for row in dark} == {""}


def test_what_limits_is_named_and_isolation_per_volt_is_there(start_drive_stop, tmp_path):
    path = tmp_path / "drive.csv"
    write_csv(start_drive_stop.history, path)
    rows = rows_of(path)
    assert {"", "isolation not settled", "not live"} <= {row["drive_limited_by"] for row in rows}
    known = next(row for row in rows if row["in_isolation_ohm"])
    assert float(known["in_isolation_ohm_per_v"]) == float(f"{float(known['in_isolation_ohm']) / 420:.6g}")


def test_every_number_has_its_unit_in_its_name(start_drive_stop):
    build, names = start_drive_stop.history.build, columns(start_drive_stop.history)
    numbers = [column for column in trace_columns(build).values() if column.kind == "number" and column.name in names]
    assert len(numbers) == 19
    assert [column.name for column in numbers if column.unit is None] == ["in_speed_pulses"]  # a count has none
    assert "in_isolation_ohm_per_v" in names
