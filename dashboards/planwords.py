"""Words of a planned trip, for the page and the command."""

from zoneinfo import ZoneInfo

from dashboards import text
from services.domain import Quantiles
from services.domain.plan import BankPlan, Change, LoadPlan, Plan, Step, UnitPlan

DOING = {"driving": "driving", "mains": "on mains", "generator": "generator", "stopped": "parked"}


def percent(share: float) -> str:
    """Return a share in per cent."""
    return f"{100 * share:.0f} %"


def span(of: Quantiles, *, scale: float = 1.0, digits: int = 0) -> str:
    """Return a range, low end first."""
    low, high = text.number(scale * of.p10, digits), text.number(scale * of.p90, digits)
    return low if low == high else f"{low} to {high}"


def headline(plan: Plan) -> str:
    """Return whether it holds, in one sentence."""
    of = f"{percent(plan.chance)} of {plan.trips} drawn trips come through"
    if plan.holds:
        return f"It holds: {of} without a cut-out and with all food under its limit."
    return f"It does not hold: only {of} without a cut-out and with all food under its limit."


def weakest(bank: BankPlan, zone: ZoneInfo) -> str:
    """Return the weakest hour of a bank."""
    at = f"{text.local(bank.weakest_at, zone):%a %H:%M}"
    return (
        f"weakest at {at}: charge {span(bank.weakest_soc, scale=100)} %, plan on "
        f"{percent(bank.weakest_soc.p10)}; its cabinets cut out at about {percent(bank.cutout_soc.p50)}"
    )


def through(bank: BankPlan) -> str:
    """Return the chance of a bank, and what goes in and out."""
    drawn, given = (text.number(ah, 0) for ah in (bank.out_ah_per_day, bank.in_ah_per_day))
    return f"{percent(bank.chance)} of trips without a cut-out; a day draws {drawn} Ah and gives {given} Ah"


def unit_words(unit: UnitPlan, zone: ZoneInfo) -> tuple[str, ...]:
    """Return what becomes of a cabinet, a sentence each."""
    limit = "it has no limit" if unit.limit_c is None else f"limit {text.degrees(unit.limit_c)}"
    parts = [
        f"food at its warmest {span(unit.warmest, digits=1)} °C ({limit})",
        f"runs {span(unit.duty, scale=100)} % of the time",
    ]
    if unit.first_cutout is not None:
        parts.insert(0, f"plan on a cut-out from {text.local(unit.first_cutout, zone):%a %H:%M}")
    if unit.limit_c is not None and unit.chance_cold < 1.0:
        parts.append(f"its food stays cold in {percent(unit.chance_cold)} of trips")
    if unit.cable_drop_v is not None and unit.cable_drop_share is not None:
        share = text.number(100 * unit.cable_drop_share)
        parts.append(
            f"its cable takes {text.number(unit.cable_drop_v, 2)} V or {share} % (3 % is good practice)"
        )
    return tuple(text.sentence(part) for part in parts)


def load_words(load: LoadPlan, name: str) -> str:
    """Return what a warm load costs."""
    cold = (
        f"not cold by the end in one trip of ten or more ({load.cold_hours_reason})"
        if load.cold_hours is None
        else f"cold after {span(load.cold_hours)} h"
    )
    alone = (
        "the machine alone cannot get it cold"
        if load.full_duty_hours is None
        else f"{text.number(load.full_duty_hours)} h of running without a break"
    )
    return (
        f"{text.number(load.kg, 0)} kg of {load.what} at {text.degrees(load.warm_c)} in {name}: about "
        f"{text.number(load.costs_ah, 0)} Ah, {cold}; {alone}. It warms the food beside it: "
        "cool it on mains first, or put in a third at a time."
    )


def change_words(change: Change, bank: BankPlan) -> str:
    """Return a change and what it does, in a sentence."""
    what = " and ".join(_step_words(step, bank) for step in change.steps)
    if change.enough:
        return text.sentence(f"{what}: then {percent(change.chance)} of trips come through")
    return text.sentence(f"{what}: not enough alone ({percent(change.chance)})")


def _step_words(step: Step, bank: BankPlan) -> str:
    amount = text.number(step.amount, 0 if step.amount == round(step.amount) else 1)
    return {
        "bank": f"{amount} Ah more on {bank.bank}, all of one kind and age "
        f"({text.number(bank.capacity_ah + step.amount, 0)} Ah in all)",
        "cable": f"cables of {amount} mm² from {bank.bank} to its cabinets, fused at the battery",
        "panel": f"{amount} Wp more of panels on {bank.bank}",
        "drive": f"{amount} min more driving a day before dusk",
        "charge": f"{amount} min a day more on mains, or on a generator in the open air",
        "load_cold": f"the {amount} kg put in cold",
    }[step.kind]
