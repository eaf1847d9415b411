"""What counts as a line of code."""

from bench.code_lines import code_lines


def test_blank_lines_comments_and_docstrings_do_not_count():
    text = '''"""A module.

    With more to say.
"""

import os  # why


# a comment
def f(a,
      b):
    """Two lines
    of docstring."""
    x = """a text
    is code"""

    return x  # 2


class A:
    \'\'\'Doc.\'\'\'
    value = (
        # inside
        1,

        2,
    )
'''
    # import, def (2), x (2), return, class, value's ( 1, 2, )
    assert code_lines(text) == 1 + 2 + 2 + 1 + 1 + 4


def test_a_string_that_is_no_docstring_counts():
    assert code_lines("x = 1\n'not a docstring'\n") == 2


def test_nothing_is_nothing():
    assert code_lines("") == 0
    assert code_lines('"""Doc."""\n') == 0
