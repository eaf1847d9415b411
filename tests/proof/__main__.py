"""`python3 tools/dev.py pages`: write the pages of proof anew from what they are made of."""

import sys

from proof import claims, outside_page


def main() -> int:
    """Write the pages; 1 when a mark cannot be read, told in one line."""
    try:
        found = claims.all_claims()
    except claims.WrongMark as error:
        sys.stderr.write(f"{error}\n")
        return 1
    outside_page.PAGE.write_text(outside_page.page(found), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
