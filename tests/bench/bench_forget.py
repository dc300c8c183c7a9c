"""What taking a person out of the records costs, against writing those records.

Run ``python -m tests.bench.bench_forget [--records 10000] [--check]``; with ``--check`` it exits 1 above the
target. Both are processor time of the same run. The write lock is held for as long as it takes.
"""

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

from services.records.facade import Records
from services.records.tables import StatementRow
from tests.helpers.larder import NOW_MS, fleet

NAME = "Jonas K."
MOST_RATIO = 2.0
"""Forgetting over writing; it was 6.8 with six questions to the database for each record."""


def measured(folder: Path, count: int) -> tuple[float, float, float]:
    """Return processor seconds of writing, of forgetting and of looking over the chain afterwards."""
    records = Records(folder / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 1)
    begun = time.process_time()
    with records._database.writing() as session:
        session.add_all(
            StatementRow(
                unit="v3-meat",
                kind="note",
                who=NAME,
                t_ms=NOW_MS + number,
                body=json.dumps({"note": f"{NAME} was here {number}"}),
                ends_clock=False,
            )
            for number in range(count)
        )
    written = time.process_time()
    gone = records.forget_person(NAME, who="bench", now_ms=NOW_MS + count)
    forgotten = time.process_time()
    found = records.verify_chain()
    looked = time.process_time()
    records.close()
    if gone.records < count or found.faults:
        raise RuntimeError("not everything was taken out, or the chain does not hold")
    return written - begun, forgotten - written, looked - forgotten


def main() -> int:
    """Measure and tell."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--records", type=int, default=10_000)
    asked.add_argument("--check", action="store_true")
    told = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        writing, forgetting, looking = measured(Path(folder), told.records)
    ratio = forgetting / writing
    print(
        f"{told.records} records: written in {writing:.2f} s of a processor, forgotten in {forgetting:.2f} s"
    )
    print(f"forgetting over writing: {ratio:.2f} (at most {MOST_RATIO}); looking over {looking:.2f} s")
    return 1 if told.check and ratio > MOST_RATIO else 0


if __name__ == "__main__":
    sys.exit(main())
