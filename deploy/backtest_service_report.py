"""What the back-test of findings prints: the drawn plan, shares, times, confusion, dates, what was false."""

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from deploy.backtest_kinds import PART, WANTED, family
from deploy.backtest_service import YEAR_D, Judged, Score, share_of
from deploy.backtest_told import Call
from services.timebase import DAY_MS, iso_of


def lines(scores: Sequence[Score]) -> Iterator[str]:
    """Return the report."""
    own = scores[0]
    yield f"seeds: {' '.join(map(str, own.seeds))}; {own.unit_days / YEAR_D:.1f} unit-years"
    yield from _plan(own)
    yield from _shares(scores)
    yield from _groups(own, scores[1])
    yield from _confusion(own, scores[1])
    yield from _waits(own)
    for presses, title in ((True, "false call-outs"), (False, "false findings that press nobody")):
        yield title
        yield from (f"  {unit}: {_told(call)}" for unit, call in own.false if call.presses == presses)
    yield "call-outs during faults that are told elsewhere"
    yield from (f"  {unit}: {_told(call)}, {kind}" for unit, kind, call in own.other if call.presses)


def _plan(own: Score) -> Iterator[str]:
    yield "faults of the workshop's: kind, where, from, to, food at risk from, on a hot day from; first told"
    for one in sorted(own.judged, key=lambda one: one.fault.begins_ms):
        fault = one.fault
        ends = "the end" if fault.ends_ms is None else iso_of(fault.ends_ms)[:10]
        risk = "never" if fault.at_risk_ms is None else iso_of(fault.at_risk_ms)[:10]
        hot = fault.hot_day
        hot_day = "not asked" if hot is None else iso_of(hot)[:10] if isinstance(hot, int) else hot
        told = "nothing" if one.some is None else f"{iso_of(one.some.first_ms)[:10]} {one.some.finding}"
        begins = iso_of(fault.begins_ms)[:10]
        yield f"  {fault.kind:<20}{fault.on:<18}{begins} {ends:<11}{risk:<11}{hot_day:<11}{told}"


def _shares(scores: Sequence[Score]) -> Iterator[str]:
    yield "by chance: what the same words, told of units sound in those days, would have found"
    yield "false for each unit and year without a fault: call-outs; findings that press nobody"
    head = f"{'way':<18}{'found in time':>16}{'by chance':>11}{'call-outs':>11}{'other':>8}"
    yield head + f"{'days: median':>14}{'p90':>6}"
    for each in scores:
        found = [one.days_to_find for one in each.slow if one.days_to_find is not None]
        middle, late = (f"{q:.0f}" for q in np.percentile(found, (50, 90))) if found else ("none", "none")
        false = f"{each.false_a_year:>11.2f}{each.quiet_a_year:>8.2f}"
        share = f"{sum(one.in_time for one in each.slow)}/{len(each.slow)} = {each.share:.2f}"
        yield f"{each.name:<18}{share:>16}{each.by_chance:>11.2f}{false}{middle:>14}{late:>6}"


def _groups(own: Score, pressing: Score) -> Iterator[str]:
    """Yield those that put food at risk and those that never did apart, and those too fast for anybody."""
    for title, at_risk in (
        ("food at risk, told three days before", True),
        ("never at risk, told before the end", False),
    ):
        kept = [
            [one for one in each.slow if (one.fault.at_risk_ms is not None) == at_risk]
            for each in (own, pressing)
        ]
        counts = [f"{sum(one.in_time for one in each)}/{len(each)} = {share_of(each):.2f}" for each in kept]
        some = sum(one.some_in_time for one in kept[0])
        yield f"{title}: {counts[0]}, by a call-out {counts[1]}, in any words {some}/{len(kept[0])}"
    yield "food at risk within four days of the fault, in no share; days to find"
    yield from (f"  {one.fault.kind} on {one.unit}: {_days(one)}" for one in own.judged if one.too_fast)


def _confusion(own: Score, pressing: Score) -> Iterator[str]:
    yield "by fault: how many; told at all; in the right words in time; by a call-out; the right part named"
    yield "among what it could be (in the first place); then what was first told"
    for kind in WANTED:
        ours = [k for k, one in enumerate(own.judged) if one.fault.kind == kind]
        each = [own.judged[k] for k in ours]
        told = Counter("nothing" if one.some is None else family(one.some.finding) for one in each)
        words = ", ".join(f"{name} x{times}" for name, times in told.most_common())
        counts = (
            sum(one.some is not None for one in each),
            sum(one.in_time for one in each),
            sum(pressing.judged[k].in_time for k in ours),
        )
        named = f"{sum(one.named for one in each)} ({sum(one.named_first for one in each)})"
        yield f"  {kind:<21}{len(each):>3}{counts[0]:>4}{counts[1]:>4}{counts[2]:>4}{named:>7}  {words}"
    yield "right part named first, of those told: what stood in its place where not"
    for (part, first), times in sorted(_first_parts(own).items()):
        yield f"  {part} -> {first}: {times}"


def _first_parts(own: Score) -> Counter[tuple[str, str]]:
    return Counter(
        (PART[one.fault.kind], one.some.could_be[0] if one.some.could_be else "no part")
        for one in own.judged
        if one.some is not None and not one.named_first
    )


def _waits(own: Score) -> Iterator[str]:
    """Yield how the dates until which it may wait compare with the plant's own answer."""
    asked = [one for one in own.judged if one.call is not None and one.fault.hot_day not in {None, "always"}]
    yield "until when it can wait, as first told, against the plant on a design hot day"
    dated = [(one, _true_ms(one)) for one in asked if isinstance(one.fault.hot_day, int)]
    spans = [(one.call.wait_ms, true_ms) for one, true_ms in dated if one.call is not None]
    told = [(wait[0], wait[1], true_ms) for wait, true_ms in spans if wait[0] is not None]
    early = sum(low <= true_ms + DAY_MS for low, _, true_ms in told)
    inside = sum(
        low <= true_ms + DAY_MS and (high is None or true_ms <= high + DAY_MS) for low, high, true_ms in told
    )
    off = [(low - true_ms) / DAY_MS for low, _, true_ms in told]
    middle = f"{np.median(off):+.0f} d" if off else "none"
    yield (
        f"  at risk one day: {len(spans)}; given a date {len(told)}; the early end no later than the plant's"
        f" {early}; within the range {inside}; middle of early less true {middle}"
    )
    never = [one for one in asked if one.fault.hot_day == "never"]
    silent = sum(one.call is not None and one.call.wait_ms[0] is None for one in never)
    yield f"  never at risk: {len(never)}; rightly given no date {silent}"


def _true_ms(one: Judged) -> int:
    """Return from when on food is at risk on a hot day, no earlier than it was told."""
    hot, told_ms = one.fault.hot_day, one.call.first_ms if one.call is not None else 0
    return max(hot, told_ms) if isinstance(hot, int) else told_ms


def _days(one: Judged) -> str:
    return "not told" if one.days_to_find is None else f"{one.days_to_find:.0f}"


def _told(call: Call) -> str:
    days = (call.last_ms - call.first_ms) / DAY_MS + 1
    seen = "over weeks" if call.weeks else "within a week"
    return f"{call.finding} ({seen}), for {days:.0f} d from {iso_of(call.first_ms)[:10]}"
