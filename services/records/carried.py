"""What live samples moved in an analysis since it was made, kept apart from it so that writes stay small."""

import json
from collections.abc import Mapping
from itertools import takewhile
from typing import Any

from services.domain import Analysis

MOVED = {"to", "as_of", "samples", "verdict", "verdict_why", "exposure", "answers", "mean_kinetic_c"}


def moved_json(analysis: Analysis, before: Analysis) -> str:
    """Return, as JSON, in what an analysis differs from the one it goes on from.

    Episodes that are over are not told again: `kept` says how many of each clock still stand.
    """
    kept, exposure = [], []
    for old, new in zip(before.exposure, analysis.exposure, strict=True):
        same = takewhile(lambda pair: pair[0] is pair[1], zip(old.episodes, new.episodes, strict=False))
        kept.append(sum(1 for _ in same))
        exposure.append(new.model_copy(update={"episodes": new.episodes[kept[-1] :]}))
    slim = analysis.model_copy(update={"exposure": tuple(exposure)})
    told = slim.model_dump_json(by_alias=True, include=MOVED)
    return f'{{"kept":{json.dumps(kept)},{told[1:]}'


def moved_on(analysis: Mapping[str, Any], moved: Mapping[str, Any]) -> dict[str, Any]:
    """Return an analysis brought up to date with what moved since."""
    exposure = [
        {**new, "episodes": [*old["episodes"][:kept], *new["episodes"]]}
        for old, new, kept in zip(analysis["exposure"], moved["exposure"], moved["kept"], strict=True)
    ]
    fresh = {name: value for name, value in moved.items() if name != "kept"}
    return {**analysis, **fresh, "exposure": exposure}
