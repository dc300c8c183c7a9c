"""Families of errors, by who must act."""


class BushlarderError(Exception):
    """Anything this project raises on purpose, other than a caller's bug (`ValueError`)."""


class DependencyUnavailable(BushlarderError):  # noqa: N818 - reads as a state in logs and health
    """A broker, store or server did not answer; the caller retries with jittered back-off."""


class NoRoom(DependencyUnavailable):
    """The disk is full; nothing more can be kept until somebody makes room."""


class ConfigurationError(BushlarderError):
    """The operator must change something; commands print it and exit with 2."""

    def __init__(self, message: str, *, setting: str | None = None, line: int | None = None) -> None:
        """Name the setting (dotted path) and, for files, the 1-based line."""
        super().__init__(message)
        self.setting = setting
        self.line = line

    def __str__(self) -> str:
        """Return the message led by the place it is about."""
        place = ", ".join(
            part
            for part in (f"line {self.line}" if self.line is not None else "", self.setting or "")
            if part
        )
        return f"{place}: {super().__str__()}" if place else super().__str__()


class Refused(BushlarderError):  # noqa: N818 - the answer to a request, not a fault
    """A person asked for something the rules forbid; the message says why."""
