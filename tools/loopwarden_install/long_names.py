"""What the short names in a text from a board stand for, as an exception's text has them.

`python -m loopwarden_install.long_names TEXT`; a short name stands for another thing in each module and class.
"""

import re
import sys
from collections.abc import Iterator

from loopwarden_install.short_names import Names
from loopwarden_install.version import names


def meanings(text: str, given: Names) -> Iterator[str]:
    """A line for each short name in a text: what it may stand for."""
    found: dict[str, list[str]] = {}
    for name, short in given.attributes.items():
        found.setdefault(short, []).append(f".{name}")
    for (_, of), own in given.own.items():
        for name, short in own.items():
            found.setdefault(short, []).append(f"{of}.{name}")
    for module, own in given.globals_.items():
        for name, short in own.items():
            found.setdefault(short, []).append(f"{module}.{name}")
    for word in dict.fromkeys(re.findall(r"\w+", text)):
        if word in found:
            yield f"{word}: {', '.join(sorted(found[word]))}"


if __name__ == "__main__":
    sys.stdout.writelines(line + "\n" for line in meanings(" ".join(sys.argv[1:]), names()))
