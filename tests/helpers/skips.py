"""Pytest plug-in: says how many tests were skipped and why; a skipped outside check fails the run where
the shared measurements are there to be read."""

from collections import Counter
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "opendata"

_reasons: Counter[str] = Counter()
_outside: list[str] = []


def pytest_runtest_logreport(report):
    if not report.skipped:
        return
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    _reasons[reason] += 1
    if "outside" in report.keywords or "opendata" in report.keywords or "tests/outside/" in report.nodeid:
        _outside.append(report.nodeid)


def pytest_terminal_summary(terminalreporter):
    terminalreporter.section("skipped")
    terminalreporter.write_line(f"{sum(_reasons.values())} skipped")
    for reason, count in _reasons.most_common():
        terminalreporter.write_line(f"  {count} x {reason}")
    if _outside and SHARED.is_dir():
        terminalreporter.write_line(
            "outside checks skipped although the shared measurements are there: failure"
        )
        for node in _outside:
            terminalreporter.write_line(f"  {node}")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session):
    if _outside and SHARED.is_dir() and session.exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
