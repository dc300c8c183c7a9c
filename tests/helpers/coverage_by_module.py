"""Prints branch coverage by module, the lowest first: ``python -m tests.helpers.coverage_by_module FILE``."""

import json
import sys
from pathlib import Path


def main() -> None:
    files = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))["files"]
    rows = sorted((entry["summary"]["percent_covered"], name) for name, entry in files.items())
    for percent, name in rows[:10]:
        print(f"{percent:6.1f} %  {name}")
    print(f"{len(rows)} modules")


if __name__ == "__main__":
    main()
