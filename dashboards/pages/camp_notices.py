"""What a cook is told on her own page: what to do first, big, and taken with one tap."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dashboards import noticewords
from dashboards.noticewords import Names, NoticeView
from services.api.desk import Desk

MOST = 3
"""Notices shown whole on the small page; the rest is counted."""


@dataclass(frozen=True, slots=True)
class CookTold:
    """The notices of one place that are a cook's."""

    new: tuple[NoticeView, ...]
    """Nobody has taken them, the most urgent first; passed ones last."""
    taken: tuple[NoticeView, ...]
    more: int
    """How many there are besides."""


def told_cook(desk: Desk, site: str, names: Names, zone: ZoneInfo) -> CookTold:
    """Return what stands at a place for its cook."""
    hers = [notice for notice in desk.notices(site=site) if notice.who == "cook" and notice.site == site]
    now_ms = desk.now_ms()
    views = [noticewords.view(each, names, zone=zone, now_ms=now_ms) for each in hers]
    new = [view for view in views if view.new]
    taken = [v for v, n in zip(views, hers, strict=True) if n.state == "acknowledged"]
    shown = min(MOST, len(new))
    return CookTold(tuple(new[:shown]), tuple(taken[:MOST]), len(new) - shown + max(0, len(taken) - MOST))
