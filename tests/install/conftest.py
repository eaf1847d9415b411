"""One installation, recorded once for all that cut it."""

import pytest

from .install_bench import blank_image, old_image, recorded_install


@pytest.fixture(scope="session")
def update(tmp_path_factory):
    """Every flash operation of an update from the old version to the new one, its first start included."""
    folder = tmp_path_factory.mktemp("update")
    return recorded_install(folder, old_image(folder / "flash.img"))


@pytest.fixture(scope="session")
def first_install(tmp_path_factory):
    """The same on a board on which nothing but MicroPython is."""
    folder = tmp_path_factory.mktemp("first")
    return recorded_install(folder, blank_image(folder / "flash.img"))
