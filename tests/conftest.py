"""For every test: property tests draw the same examples each time, so that a red run can be run again, and
fail for what they find only, not for how long a busy machine takes; logs tell a fault in few words, since a
drawn traceback with every local value costs a minute under load.
"""

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
