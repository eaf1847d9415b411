"""`loopwarden faults --can`: a board that is only listened to, on a bus within this process."""

import json
import threading
import time
from contextlib import contextmanager

import can
import pytest
from can_bus.made import frame

from loopwarden_can.bus import open_bus
from loopwarden_cli.main import main

BUS = "virtual:of the command line"


@contextmanager
def on_air(*rounds, first_id=0x5C0):
    """Send the rounds again and again, frames as (name, values), until the block ends."""
    over = threading.Event()

    def send(bus):
        count = 0
        while not over.is_set():
            for name, values in rounds:
                number, data = frame(name, count, first_id=first_id, **values)
                bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))
            count += 1
            time.sleep(0.01)

    with open_bus(BUS) as bus:
        thread = threading.Thread(target=send, args=(bus,))
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


def fault(index, row, code, **bits):
    return "Fault", {"FaultIndex": index, "FaultRow": row, "FaultCode": code, **bits}


LIVE = ("Status", {"Phase": 3, "ActiveFaults": 1, "HardestFault": 7, "PowerCycle": 41, "HighVoltageLamps": 1})
BUS_UP = ("Voltages", {"BusVoltage": 402.3, "PackVoltage": 403.0})
WARNING = fault(0, 7, 0x1A0700, TestFailed=1, Confirmed=1, WarningIndicator=1)


@pytest.fixture
def ask(capsys):
    def run(*arguments, timeout="3"):
        code = main(["faults", "--can", BUS, "--timeout", timeout, *arguments])
        return code, *capsys.readouterr()

    return run


def test_active_codes_are_a_table_with_first_checks(ask):
    with on_air(LIVE, BUS_UP, WARNING):
        code, out, err = ask()
    assert (code, err) == (1, "")
    lines = out.splitlines()
    assert lines[0] == "Bus 402.3 V; high-voltage lamps lit; live, power cycle 41"
    assert "  P1A07-00  isolation warning  89      failed now, lights a lamp" in lines
    assert any(line.lstrip().startswith("First check: ") for line in lines)
    assert max(map(len, lines)) <= 80
    assert "anybody on the bus can forge one" in out


def test_without_a_code_it_is_0(ask):
    with on_air(("Status", {"Phase": 0, "PowerCycle": 7}), ("Voltages", {"BusVoltage": -3276.8}), fault(0, 0, 0)):
        code, out, err = ask()
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == "Bus not known: take it as LIVE; high-voltage lamps held off; off, power cycle 7"
    assert "No code is active." in out


def test_as_one_object(ask):
    with on_air(LIVE, BUS_UP, WARNING, first_id=0x100):
        code, out, _ = ask("--first-id", "0x100", "--json")
    told = json.loads(out)
    assert code == 1
    assert told["faults"] == [{"row": 7, "name": "isolation warning", "code": "P1A07-00", "status": 0x89}]
    assert told["latest"]["Voltages"]["PackVoltage"] == 403.0
    assert told["frames"]["mangled"] == 0


def test_nobody_there_is_2_and_says_where_it_listened(ask):
    code, out, err = ask(timeout="0.2")
    assert (code, out) == (2, "")
    assert f"{BUS}: no frame of a board came within 0.2 s, identifiers 0x5C0 to 0x5C5" in err


def test_a_board_that_tells_half_is_2(ask):
    with on_air(LIVE, BUS_UP):
        code, _, err = ask(timeout="0.5")
    assert code == 2
    assert "only 0 of 1 active codes were told within 0.5 s" in err


@pytest.mark.parametrize("number", ["0x7FB", "-1", "first", "2043"])
def test_an_identifier_that_cannot_be_is_2(ask, number, capsys):
    with pytest.raises(SystemExit) as caught:
        main(["faults", "--can", BUS, f"--first-id={number}"])
    assert caught.value.code == 2
    assert "is not an identifier from 0 to 0x7FA" in capsys.readouterr().err


def test_one_code_cannot_be_asked_for_where_nobody_can_be_asked(ask):
    code, _, err = ask("P0AA6-00")
    assert code == 2
    assert "ask over serial" in err


def test_a_bus_that_is_none_is_2(capsys):
    assert main(["faults", "--can", "can0"]) == 2
    assert "not INTERFACE:CHANNEL" in capsys.readouterr().err
