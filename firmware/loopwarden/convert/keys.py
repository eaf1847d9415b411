"""The keys of the integer build that the conversions read: which exist, how long a list is, what a number may be.

Decides nothing; the build loader refuses a file that does not keep to it.
Row: (key, lowest, highest, length): length None for a single number, -1 for a list of any length, else the list's.

convert_pack, convert_bus   [zero counts, slope, open below counts, lowest mV]
convert_current             [zero counts, slope]; empty where none is fitted
convert_supply_slope, convert_reference_slope   slope; 0 where none is fitted
                            slope: 1/64 mV or mA per count
convert_zone_tables         tables of 129 points each, one every 32 counts, 0.1 degC
convert_zone_offset         per zone, where its table starts in them
convert_zone_short, convert_zone_open   per zone, counts: below is shorted, above is open
convert_loop_sense          per loop, 0 level, 1 toggled, 2 resistor
convert_loop_window         per loop, four counts: closed from, closed to, ground below, supply above
convert_iso_kind            0 line, 1 duty, 2 frequency
convert_iso_x, convert_iso_ohm, convert_iso_slope   points, x ascending: duty in 1/4096 or frequency in mHz; ohm;
                            1/16 ohm per x from each point to the next
convert_iso_margin          how far beyond the table's ends the end value still counts, in x
convert_iso_fault           [from, to] in x: the band of the monitor's own fault; empty for none
convert_iso_period_us       [shortest, longest] believable period; duty only, else empty
convert_iso_stale_ms        silence that makes a reading stale
convert_iso_good_ohm, convert_iso_bad_ohm   what a line stands for; 0 otherwise
convert_speed_um            way per pulse in micrometres, 0 where no speed is fitted
convert_speed_min_us        shortest believable time between pulses
convert_crash_us            shortest crash pulse that counts
convert_coil_feedback, convert_lamp_feedback   1 where the driver reports its state
"""

KEYS = (
    ("convert_pack", -2000000, 2000000, 4),
    ("convert_bus", -2000000, 2000000, 4),
    ("convert_current", 0, 262143, -1),
    ("convert_supply_slope", 1, 262143, None),
    ("convert_reference_slope", 0, 262143, None),
    ("convert_zone_tables", -2731, 10000, -1),
    ("convert_zone_offset", 0, 10000, -1),
    ("convert_zone_short", 0, 4095, -1),
    ("convert_zone_open", 0, 4095, -1),
    ("convert_loop_sense", 0, 2, -1),
    ("convert_loop_window", 0, 4096, -1),
    ("convert_iso_kind", 0, 2, None),
    ("convert_iso_x", 0, 100000000, -1),
    ("convert_iso_ohm", 0, 50000000, -1),
    ("convert_iso_slope", -1000000000, 1000000000, -1),
    ("convert_iso_margin", 0, 1000000, None),
    ("convert_iso_fault", 0, 100000000, -1),
    ("convert_iso_period_us", 1, 10000000, -1),
    ("convert_iso_stale_ms", 1, 60000, None),
    ("convert_iso_good_ohm", 0, 50000000, None),
    ("convert_iso_bad_ohm", 0, 50000000, None),
    ("convert_speed_um", 0, 1000000, None),
    ("convert_speed_min_us", 0, 1000000, None),
    ("convert_crash_us", 0, 10000000, None),
    ("convert_coil_feedback", 0, 1, None),
    ("convert_lamp_feedback", 0, 1, None),
)
