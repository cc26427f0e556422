"""Hand rubbish to everything, in all the ways we know, and count: the list in docs/hostile-input.md.

    python tests/hostile/run.py                 all campaigns in full (half an hour on two cores)
    python tests/hostile/run.py --much 0.1      a tenth of it
    python tests/hostile/run.py --only kill     campaigns with that in their name
    python tests/hostile/run.py --write         in full, and put the counts into docs/hostile-input.md

Ends with status 1 when anything broke; what broke it is kept in the folder hostile-failures.
"""

import argparse
import os
import platform
import re
import sys
import time
import warnings
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent), str(ROOT)]
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))

from campaigns import campaigns  # noqa: E402
from contract import Broken  # noqa: E402
from surroundings import Unable  # noqa: E402

DOCUMENT = ROOT / "docs" / "hostile-input.md"
TABLE = re.compile(r"(<!-- counts -->\n).*?(<!-- /counts -->)", re.DOTALL)


def main() -> int:
    """Run the campaigns and print a row each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--much", type=float, default=1.0, help="share of the full number of tries")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--only", default="", metavar="TEXT")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    rows, broken = [], 0
    warnings.simplefilter("error")
    begin = time.perf_counter()
    for campaign in campaigns():
        if given.only not in campaign.name:
            continue
        started = time.perf_counter()
        try:
            outcome = campaign.run(given.much, given.seed)
            n = sum(outcome.values())
            words = ", ".join(f"{v} {k}" if v else k for k, v in sorted(outcome.items()))
        except Unable as e:
            n, words = 0, f"not tried: {e}"
        except Broken as e:
            n, words, broken = 0, f"BROKEN: {e}", broken + 1
        rows.append(f"| {campaign.name} | {n} | {words} | {campaign.expects} |")
        print(f"{time.perf_counter() - started:6.1f} s  {campaign.name}: {words}", flush=True)
    total = sum(int(row.split("|")[2]) for row in rows)
    print(f"{total} tries in {len(rows)} campaigns, {broken} broken, {time.perf_counter() - begin:.0f} s")
    if given.write and not broken:
        head = "| campaign | tries | came of it | what should come of it |\n|---|---|---|---|\n"
        made = f"{total} tries in {len(rows)} campaigns, seed {given.seed}, Python {platform.python_version()}."
        text = DOCUMENT.read_text(encoding="utf-8")
        block = f"{made}\n\n{head}" + "\n".join(rows) + "\n"
        DOCUMENT.write_text(TABLE.sub(lambda m: m[1] + block + m[2], text), encoding="utf-8")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
