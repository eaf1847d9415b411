"""The power-up of the fault memory of plain_flash.py."""

from loopwarden.memory.power_up import PowerUp


class PlainPowerUp(PowerUp):
    """The journal lies beside its files here."""

    def _drawn(self):
        return (1, 2)  # this build has no random numbers

    def _find(self, k):
        return k

    def _mapping_holds(self):
        return True
