"""S11: wherever an installation is cut off, the board starts exactly one whole version, or stays off at its prompt.

The power goes at an erase or program of the flash, in four ways; the cable is pulled at a byte. `bench` tries more.
"""

import pytest
from board.test_service import running

from loopwarden_install.install import install

from .install_bench import WAYS, Start, in_service, mounted, order, pulled_cables, spread

POINTS = 16


@pytest.mark.parametrize("way", WAYS)
def test_an_update_cut_at_the_flash_starts_the_old_version_or_the_new_one(update, way, tmp_path):
    found = []
    for n in spread(len(update), POINTS):
        start = Start(tmp_path, update.at(n, way))
        assert start.safe
        assert start.which in ("old", "new"), (n, start.said)
        assert start.keeps_codes, (n, start.said)
        found.append(start.which)
    assert found == sorted(found, reverse=True)  # once the new one starts, it stays
    assert set(found) == {"old", "new"}


@pytest.mark.parametrize("way", WAYS)
def test_every_operation_around_the_switch_leaves_one_whole_version(update, way, tmp_path):
    """The file that names the version is written in one of them: each is cut."""
    low, high = 0, len(update) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if Start(tmp_path, update.at(middle, "all")).which == "old" else (low, middle)
    for n in range(max(low - 4, 0), min(high + 4, len(update))):
        start = Start(tmp_path, update.at(n, way))
        assert start.safe
        assert start.which in ("old", "new"), (n, start.said)


def test_a_first_installation_that_is_cut_ends_at_the_prompt_or_starts(first_install, tmp_path):
    found = []
    for n in spread(len(first_install), POINTS):
        start = Start(tmp_path, first_install.at(n, "random"))
        assert start.safe
        found.append(start.which)
    assert found[0] == "prompt"
    assert found[-1] == "new"
    assert set(found) == {"prompt", "new"}


def test_what_a_cut_has_left_is_gone_after_the_next_installation(update, tmp_path):
    image = tmp_path / "flash.img"
    image.write_bytes(update.at(len(update) // 2, "half"))
    assert len([name for name in mounted(image.read_bytes()).listdir("/") if name.startswith("version-")]) == 2
    with running(in_service(), image) as port:
        install(port, order())
    assert [name for name in mounted(image.read_bytes()).listdir("/") if name.startswith("version-")] == [
        order().version.name
    ]
    start = Start(tmp_path, image.read_bytes())
    assert (start.which, start.keeps_codes) == ("new", True)


def test_a_cable_pulled_at_any_byte_leaves_the_old_version_and_a_board_to_install_on(tmp_path):
    tried, failures = pulled_cables(tmp_path, 11)
    assert tried > 8
    assert failures == []
