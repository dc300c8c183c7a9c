"""Words of a planned trip, for the page and the command."""

from zoneinfo import ZoneInfo

from dashboards import text
from dashboards.language import Table, _, in_scale, scale, weekday
from services.domain import Quantiles
from services.domain.plan import BankPlan, Change, LoadPlan, Plan, Step, UnitPlan

DOING: Table[str] = Table(
    {
        "driving": "driving",
        "mains": "on mains",
        "generator": "generator",
        "stopped": "parked",
    }
)


def percent(share: float) -> str:
    """Return a share in per cent."""
    return f"{100 * share:.0f} %"


def span(of: Quantiles, *, scale: float = 1.0, digits: int = 0) -> str:
    """Return a range, low end first."""
    low, high = text.number(scale * of.p10, digits), text.number(scale * of.p90, digits)
    return low if low == high else _("%(low)s to %(high)s", low=low, high=high)


def degrees_span(of: Quantiles) -> str:
    """Return a range of temperatures in the reader's scale."""
    low, high = (text.number(in_scale(end_c)) for end_c in (of.p10, of.p90))
    shown = low if low == high else _("%(low)s to %(high)s", low=low, high=high)
    return f"{shown} {scale()}"


def day_time(t_ms: float, zone: ZoneInfo) -> str:
    """Return a day of the week and a time of day."""
    at = text.local(t_ms, zone)
    return f"{weekday(at)} {at:%H:%M}"


def headline(plan: Plan) -> str:
    """Return whether it holds, in one sentence."""
    of = _("%(share)s of %(trips)s drawn trips come through", share=percent(plan.chance), trips=plan.trips)
    if plan.holds:
        return _("It holds: %(of)s without a cut-out and with all food under its limit.", of=of)
    return _("It does not hold: only %(of)s without a cut-out and with all food under its limit.", of=of)


def weakest(bank: BankPlan, zone: ZoneInfo) -> str:
    """Return the weakest hour of a bank."""
    at = day_time(bank.weakest_at, zone)
    return _(
        "weakest at %(at)s: charge %(charge)s %%, plan on %(early)s; its cabinets cut "
        "out at about %(cutout)s",
        at=at,
        charge=span(bank.weakest_soc, scale=100),
        early=percent(bank.weakest_soc.p10),
        cutout=percent(bank.cutout_soc.p50),
    )


def through(bank: BankPlan) -> str:
    """Return the chance of a bank, and what goes in and out."""
    drawn, given = (text.number(ah, 0) for ah in (bank.out_ah_per_day, bank.in_ah_per_day))
    return _(
        "%(share)s of trips without a cut-out; a day draws %(drawn)s Ah and gives %(given)s Ah",
        share=percent(bank.chance),
        drawn=drawn,
        given=given,
    )


def unit_words(unit: UnitPlan, zone: ZoneInfo) -> tuple[str, ...]:
    """Return what becomes of a cabinet, a sentence each."""
    limit = (
        _("it has no limit")
        if unit.limit_c is None
        else _("limit %(limit)s", limit=text.degrees(unit.limit_c))
    )
    parts = [
        _("food at its warmest %(warmest)s (%(limit)s)", warmest=degrees_span(unit.warmest), limit=limit),
        _("runs %(share)s %% of the time", share=span(unit.duty, scale=100)),
    ]
    if unit.first_cutout is not None:
        parts.insert(0, _("plan on a cut-out from %(time)s", time=day_time(unit.first_cutout, zone)))
    if unit.limit_c is not None and unit.chance_cold < 1.0:
        parts.append(_("its food stays cold in %(share)s of trips", share=percent(unit.chance_cold)))
    if unit.cable_drop_v is not None and unit.cable_drop_share is not None:
        share = text.number(100 * unit.cable_drop_share)
        parts.append(
            _(
                "its cable takes %(lost)s V or %(share)s %% (3 %% is good practice)",
                lost=text.number(unit.cable_drop_v, 2),
                share=share,
            )
        )
    return tuple(text.sentence(part) for part in parts)


def load_words(load: LoadPlan, name: str) -> str:
    """Return what a warm load costs."""
    cold = (
        _(
            "not cold by the end in one trip of ten or more (%(reason)s)",
            reason=load.cold_hours_reason,
        )
        if load.cold_hours is None
        else _("cold after %(hours)s h", hours=span(load.cold_hours))
    )
    alone = (
        _("the machine alone cannot get it cold")
        if load.full_duty_hours is None
        else _("%(hours)s h of running without a break", hours=text.number(load.full_duty_hours))
    )
    return _(
        "%(kg)s kg of %(what)s at %(temperature)s in %(name)s: about %(ah)s Ah, "
        "%(cold)s; %(alone)s. It warms the food beside it: cool it on mains first, or "
        "put in a third at a time.",
        kg=text.number(load.kg, 0),
        what=load.what,
        temperature=text.degrees(load.warm_c),
        name=name,
        ah=text.number(load.costs_ah, 0),
        cold=cold,
        alone=alone,
    )


def change_words(change: Change, bank: BankPlan) -> str:
    """Return a change and what it does, in a sentence."""
    what = _(" and ").join(_step_words(step, bank) for step in change.steps)
    if change.enough:
        return text.sentence(
            _("%(what)s: then %(share)s of trips come through", what=what, share=percent(change.chance))
        )
    return text.sentence(_("%(what)s: not enough alone (%(share)s)", what=what, share=percent(change.chance)))


def _step_words(step: Step, bank: BankPlan) -> str:
    amount = text.number(step.amount, 0 if step.amount == round(step.amount) else 1)
    return {
        "bank": _(
            "%(amount)s Ah more on %(bank)s, all of one kind and age (%(sum)s Ah in all)",
            amount=amount,
            bank=bank.bank,
            sum=text.number(bank.capacity_ah + step.amount, 0),
        ),
        "cable": _(
            "cables of %(amount)s mm² from %(bank)s to its cabinets, fused at the battery",
            amount=amount,
            bank=bank.bank,
        ),
        "panel": _("%(amount)s Wp more of panels on %(bank)s", amount=amount, bank=bank.bank),
        "drive": _("%(amount)s min more driving a day before dusk", amount=amount),
        "charge": _("%(amount)s min a day more on mains, or on a generator in the open air", amount=amount),
        "load_cold": _("the %(amount)s kg put in cold", amount=amount),
    }[step.kind]
