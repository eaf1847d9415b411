"""A mutant is killed by a test that sees it, in a process that is thrown away, and lives on where none does."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
SCRIPT = """
import json, sys
from mutation.session import collected
from mutation.victims import hunt_fresh, hunt_warm, module
file, change, where, only, test = json.loads(sys.argv[1])
mutant = next(m for m in module(file).mutants if (m.where, m.change) == (where, change))
told = []
tests = [(test, 0.1)]
if where:
    collected(lambda items: told.append(hunt_warm(mutant, tests, {item.nodeid: item for item in items})), [only])
else:
    told.append(hunt_fresh(mutant, tests, {test}))
print(json.dumps([told[0].how, told[0].by]))
"""
TABLE = "tests/policy/test_fault_table.py"
SEALED = "tests/memory/test_sealed.py"

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="each mutant lives in a fork")


def hunted(file, change, where, test):
    """How one mutant met one test, and which test killed it."""
    task = json.dumps([file, change, where, test.split("::")[0], test])
    environment = {**os.environ, "PYTHONPATH": str(TESTS)}
    command = [sys.executable, "-c", SCRIPT, task]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def test_a_mistake_in_a_function_is_killed_by_a_test_that_sees_it():
    test = f"{SEALED}::test_the_checksum_is_the_catalogued_crc_32"
    change = "struct.pack_into('<I', buffer, size - TAIL, binascii.crc32(memoryview(buffer)[:size - TAIL])) -> pass"
    assert hunted("memory/sealed.py", change, "seal", test) == ["failed", test]


def test_a_mistake_that_a_test_does_not_see_survives_it():
    test = f"{SEALED}::test_the_checksum_is_the_catalogued_crc_32"
    assert hunted("memory/sealed.py", "schema == SCHEMA -> schema != SCHEMA", "sealed_kind", test)[0] == "survived"


def test_a_mistake_in_a_row_of_the_fault_table_reaches_whoever_imports_it():
    """Rows and constants are read when the modules are imported, so all of them are imported anew."""
    test = f"{TABLE}::test_row[LOOP_OPEN]"
    assert hunted("policy/fault_table.py", "column 6: DOWN -> FAST", "", test)[0] == "failed"


def test_a_mistake_that_never_ends_is_ended():
    """By processor time; else one such mutant would be the last."""
    test = "tests/memory/test_drive_log.py::test_rows_of_a_power_cycle_are_noted_one_by_one_and_counted"
    assert hunted("memory/drive_log.py", "word &= word - 1 -> pass", "count", test)[0] == "time"
