import pytest

from services.analytics.power.assess import power
from tests.helpers.made_supply import Story, played, settings_for


def told(*, starts_engine, soc):
    story = Story(days=1, soc=soc)
    settings = settings_for(story)
    bank = settings.bank.model_copy(update={"starts_engine": starts_engine})
    series = played(story)
    as_of_ms = int(series.t_ms[-1])
    settings = settings.model_copy(update={"bank": bank})
    return power(series, settings, as_of_ms=as_of_ms, food_limit_c=5.0).runout, as_of_ms


@pytest.mark.parametrize("soc", [0.95, 0.8])
def test_the_engine_fails_before_the_cabinet_does(soc):
    runout, as_of_ms = told(starts_engine=True, soc=soc)
    hours = (runout.engine_may_not_start - as_of_ms) / 3_600_000
    assert 0.0 <= hours < runout.hours_p10


def test_a_bank_of_its_own_has_no_such_line_and_says_why():
    runout, _ = told(starts_engine=False, soc=0.9)
    assert runout.engine_may_not_start is None
    assert "does not start an engine" in runout.engine_may_not_start_reason
