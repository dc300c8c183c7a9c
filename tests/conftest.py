"""For every test: property tests draw the same examples each time, so that a red run can be run again, and
fail for what they find only, not for how long a busy machine takes; logs tell a fault in few words, since a
drawn traceback with every local value costs a minute under load; empty records begin in their newest form.
"""

import sys

import structlog
from hypothesis import HealthCheck, settings

settings.register_profile(
    "same", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("same")

structlog.configure(
    processors=[
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback),
    ]
)


def pytest_collection_finish() -> None:
    """Where tests were collected that keep records."""
    if "services.records.database" in sys.modules:
        from tests.helpers.newest_form import begin_with_the_newest_form  # noqa: PLC0415 - slow to load

        begin_with_the_newest_form()
