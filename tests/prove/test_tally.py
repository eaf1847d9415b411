"""What is counted: how much was tried, what came and how soon, and what belongs together of what went wrong."""

from loopwarden_prove.tally import BREACH, FAILURE, NO_REACTION, Tally

from .made_up import CASES, PAIR, SUBJECTS, case, due, finding, tally


def test_coverage_counts_cases_run_of_those_possible_by_subject_and_place():
    cells = {place: (count.run, count.possible) for place, count in tally().cells.items()}
    assert cells == {
        ("bus voltage", ("live", False)): (2, 2),
        ("bus voltage", ("live", True)): (2, 2),
        ("bus voltage", ("off", False)): (2, 2),
        ("emergency stop", ("live", False)): (1, 1),
        ("emergency stop", ("live", True)): (1, 1),
        ("emergency stop", ("off", False)): (1, 1),
        ("emergency stop", ("locked out", False)): (0, 1),
    }


def test_a_pair_is_no_part_of_the_coverage_of_single_faults():
    counted = tally()
    assert (counted.singles.run, counted.singles.possible, counted.doubles) == (9, 10, 1)
    assert sum(count.run for count in counted.attacks.values()) == 9
    assert counted.ticks == 10 * 50


def test_promises_are_summed_and_those_never_exercised_are_a_zero():
    exercised = tally().exercised
    assert (exercised["S5"], exercised["S7"], exercised["S1"]) == (20, 10, 0)
    assert next(iter(exercised)) == "S1"  # the order of the promises


def test_a_reaction_is_told_by_the_case_that_came_nearest_to_its_own_bound():
    counted = Tally([], {})
    for number, (reacted_ms, bound_ms) in enumerate([(100, 1000), (50, 60), (500, 1000)]):
        counted.add(case(number, "wire off", "stop"), due(number, "ROW", reacted_ms, bound_ms))
    one = counted.reactions["ROW"]
    assert (one.due, one.came, one.worst_ms, one.bound_ms, one.worst_case) == (3, 3, 50, 60, 1)


def test_a_reaction_that_is_late_or_never_comes_is_not_in_time():
    one = tally().reactions["BUS_VOLTAGE_BAD"]
    assert (one.due, one.came) == (3, 1)
    assert (one.worst_ms, one.bound_ms, one.worst_case) == (360, 300, 1)  # the late one; the missing one has no time


def test_a_reaction_at_once_is_in_time():
    counted = Tally([], {})
    counted.add(case(0, "wire off", "stop"), due(0, "ROW", 0))
    one = counted.reactions["ROW"]
    assert (one.due, one.came, one.worst_ms, one.bound_ms, one.worst_case) == (1, 1, 0, 300, 0)
    assert counted.troubles() == []


def test_what_went_wrong_is_told_once_for_each_attack():
    found = [(one.kind, one.promise, one.what, one.attacks, len(one.sightings)) for one in tally().troubles()]
    assert found == [
        # The pair shows what the wire alone shows: it is counted there.
        (BREACH, "S5", "high-voltage lamps out: commanded", ("wire off",), 2),
        (NO_REACTION, "", "BUS_VOLTAGE_BAD", ("wire <loose> & wet",), 1),
        (NO_REACTION, "", "BUS_VOLTAGE_BAD", ("wire off",), 1),
        (FAILURE, "", "TypeError: no (lamps.py:7)", ("wire <loose> & wet",), 1),
    ]


def test_the_plainest_case_comes_first():
    """One attack before two, then the earlier moment."""
    counted = Tally([], {"wire off": "bus voltage"})
    for one in (case(4, "wire off", "stop"), case(3, "wire off", tick=90), case(2, "wire off", tick=80)):
        counted.add(one, finding(one.number, breaches=(("S5", 1, "dark"),)))
    (trouble,) = counted.troubles()
    assert [sighting.case.number for sighting in trouble.sightings] == [2, 3, 4]


def test_a_pair_that_shows_something_of_its_own_has_its_own_line():
    counted = Tally(CASES, SUBJECTS)
    counted.add(CASES[0], finding(0, breaches=(("S5", 1, "dark"),)))
    counted.add(PAIR, finding(10, breaches=(("S6", 1, "discharging"),)))
    assert [(one.promise, one.attacks) for one in counted.troubles()] == [
        ("S5", ("wire off",)),
        ("S6", ("wire off", "stop")),
    ]


def test_a_case_that_never_came_to_rest_is_listed_and_no_trouble_by_itself():
    counted = Tally(CASES, SUBJECTS)
    counted.add(CASES[6], finding(6, settled=False, ended="opening"))
    assert [(one.case.number, one.ended) for one in counted.unsettled] == [(6, "opening")]
    assert counted.troubles() == []
