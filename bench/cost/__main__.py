"""The process in which everything is timed: ``python -m pingloom.bench.cost LEVEL FILE`` writes one JSON object."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def main() -> None:
    """Run, with single threads set before numpy is loaded; lines on the error stream say what comes next."""
    from pingloom.bench.console import as_json
    from pingloom.bench.cost.run import THREADS, run

    wrong = [name for name in THREADS if os.environ.get(name) != "1"]
    if wrong:
        raise SystemExit(f"{', '.join(wrong)} must be 1: start this through pingloom bench.")
    level, path = sys.argv[1:]
    found = run(level, lambda text: print(text, file=sys.stderr, flush=True))
    # What could not be measured becomes null: one figure that is none does not cost the others.
    Path(path).write_text(as_json(found), encoding="utf-8")


if __name__ == "__main__":
    main()
