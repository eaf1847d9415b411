"""Where a key stands."""

import pytest

from loopwarden_build.toml_lines import find_line

TEXT = """\
# a comment = "no key"
top = 1

[pack]
nominal = "380 V"   # [not] = a header
table = [
    ["1 V", "0 %"],
    ["2 V", "9 %"], # inner = "no key"
]
after = { inline = 1 }

[limits.pack]
"quoted" = 2
dotted.deep = 3

[[loop]]
name = "one [bracket"
[[loop]]
name = "two"
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (["top"], 2),
        (["pack"], 4),
        (["pack", "nominal"], 5),
        (["pack", "table"], 6),
        (["pack", "table", 1, 0], 6),
        (["pack", "after"], 10),
        (["pack", "after", "inline"], 10),
        (["limits", "pack", "quoted"], 13),
        (["limits", "pack", "dotted", "deep"], 14),
        (["loop"], 16),
        (["loop", 0, "name"], 17),
        (["loop", 1], 18),
        (["loop", 1, "name"], 19),
        (["loop", 1, "missing"], 18),
        (["pack", "missing"], 4),
        (["missing"], None),
        (["inner"], None),
    ],
)
def test_a_key_is_found_or_else_its_table(path, line):
    assert find_line(TEXT, path) == line
