"""`python3 tools/dev.py pages [--scenarios]`: write the pages of proof anew from what they are made of."""

import argparse
import sys

from loopwarden_sim.scenario import ScenarioError
from proof import assurance_page, claims, exercised, last_run, outside_page


def main(words=None):
    """Write both pages; 1 when a mark, a scenario or the last long run's figures cannot be read, told in one line."""
    parser = argparse.ArgumentParser(prog="dev.py pages", description="Write the pages of proof anew.")
    parser.add_argument("--scenarios", action="store_true", help="run every shipped scenario, not only what changed")
    asked = parser.parse_args(words)
    try:
        outside = outside_page.page(claims.all_claims())
        run = exercised.bring_up_to_date(asked.scenarios)
        assurance = assurance_page.page(assurance_page.of_this_checkout())
    except (claims.WrongMark, last_run.WrongRun, ScenarioError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    outside_page.PAGE.write_text(outside, encoding="utf-8")
    assurance_page.PAGE.write_text(assurance, encoding="utf-8")
    sys.stdout.write(f"outside_checks.md and assurance.md written; {run} scenarios run\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
