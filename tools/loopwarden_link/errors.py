"""What can go wrong between host and board, each with one line for the person who asked."""


class LinkError(Exception):
    """The board could not be asked. str() is one complete line: which port, what happened, what to do."""


class OpenError(LinkError):
    """The port cannot be opened: not there, busy, not permitted, no serial port."""


class Lost(LinkError):
    """The port went away while it was in use."""


class NoAnswer(LinkError):
    """Nothing of an answer came in time."""


class Damaged(LinkError):
    """An answer came, but damaged, incomplete or cut off; nothing of it is used."""


class AtPrompt(LinkError):
    """The board runs no program: MicroPython's own prompt answered."""


class BadRequest(LinkError):
    """No line can carry the command: too long, or not plain ASCII. Nothing was sent."""


class Refused(LinkError):
    """The board understood and said no.

    text     its reason
    """

    def __init__(self, port: str, text: str) -> None:
        super().__init__(f"{port}: {text}")
        self.text = text
