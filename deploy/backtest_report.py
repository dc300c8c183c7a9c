"""What `bushlarder backtest runout` does: plays fresh fleets, asks, scores, and says it in a table."""

from collections.abc import Callable, Sequence

from deploy.backtest_atrisk import at_risk_table, by_kind_table
from deploy.backtest_lastday import Stop, asked_before_cutouts, failing, last_day_table, play_to_cutouts
from deploy.backtest_runout import made_up, play
from deploy.backtest_scores import Asked, asked_of, scores_of, table_of
from deploy.backtesting import fresh_seeds


def runout_report(
    *,
    seeds: Sequence[int] = (),
    fresh: int = 2,
    vehicles: int = 12,
    days: float = 30.0,
    say: Callable[[str], None] = lambda _: None,
) -> str:
    """Return the table of a back-test over the seeds given, or so many fresh ones."""
    chosen = tuple(seeds) or tuple(fresh_seeds(fresh))
    every: list[Asked] = []
    last_day: list[tuple[Stop, Asked]] = []
    for seed in chosen:
        made = made_up(seed, vehicles=vehicles)
        say(f"seed {seed}: {vehicles} banks for {days:g} days")
        every += asked_of(made, play(made, days=days))
        worn = failing(made)
        last_day += asked_before_cutouts(worn, play_to_cutouts(worn, days=days))
    table = table_of(scores_of(every), seeds=chosen, vehicles=vehicles, days=days)
    return f"{table}\n\n{last_day_table(last_day)}\n\n{by_kind_table(every)}\n\n{at_risk_table(every)}"
