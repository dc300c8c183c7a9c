"""Changes single settings in the file of an installation, and leaves the rest as somebody wrote it."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

from services.errors import ConfigurationError


def change(file: Path, values: Mapping[str, str | int | None]) -> None:
    """Set settings in a file, made where there is none; None takes one out.

    Raises
    ------
    ConfigurationError
        If the file is of a form in which that cannot be done line by line; it is left as it was.
    """
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    lines = text.splitlines()
    for name, value in values.items():
        said = None if value is None else f"{name} = {json.dumps(value, ensure_ascii=False)}"
        at = next((n for n, line in enumerate(lines) if re.match(rf"\s*{name}\s*=", line)), None)
        if at is not None:
            lines[at : at + 1] = [] if said is None else [said]
        elif said is not None:
            lines.append(said)
    changed = "".join(f"{line}\n" for line in lines)
    try:
        wanted = {k: v for k, v in (tomllib.loads(text) | dict(values)).items() if v is not None}
        done = tomllib.loads(changed) == wanted
    except tomllib.TOMLDecodeError:
        done = False
    if not done:
        by_hand = ", ".join(name for name in values)
        raise ConfigurationError(f"cannot be changed line by line; set {by_hand} by hand", setting=file.name)
    fresh = file.with_name(f".{file.name}.new")
    fresh.write_text(changed, encoding="utf-8")
    if file.exists():
        fresh.chmod(file.stat().st_mode)
    fresh.replace(file)
