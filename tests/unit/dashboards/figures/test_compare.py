from dashboards.figures.compare import HEIGHT, WIDTH, axis, days, strip
from services.api.schemas import ChannelBins


def bins(*pairs):
    known = [pair is not None for pair in pairs]
    return ChannelBins(
        t_ms=tuple(range(len(pairs))),
        min=tuple(None if p is None else p[0] for p in pairs),
        max=tuple(None if p is None else p[1] for p in pairs),
        mean=tuple(None if p is None else (p[0] + p[1]) / 2 for p in pairs),
        count=tuple(int(k) for k in known),
    )


def test_one_axis_holds_everything_and_ends_on_whole_steps():
    assert axis([bins((2.0, 4.0), None), bins((-3.0, 11.2)), None]) == (-5.0, 15.0)
    assert axis([bins((0.0, 0.0))]) == (0.0, 5.0)
    assert axis([bins(None), None]) is None


def test_a_gap_parts_the_band_and_is_told():
    drawn = strip(bins((0.0, 5.0), (0.0, 5.0), None, (5.0, 10.0)), (0.0, 10.0))
    assert len(drawn.bands) == len(drawn.middles) == 2
    assert drawn.gaps == ((WIDTH / 2, WIDTH / 4),)
    assert drawn.bands[1] == f"540,0 720,0 720,{HEIGHT / 2:g} 540,{HEIGHT / 2:g}"
    assert drawn.middles[1] == f"630,{HEIGHT / 4:g}"


def test_zero_is_a_reading_and_none_is_a_gap():
    assert strip(bins((0.0, 0.0)), (0.0, 5.0)).gaps == ()
    assert strip(None, (0.0, 5.0)).gaps == ((0.0, WIDTH),)


def test_a_limit_off_the_axis_is_not_drawn():
    assert strip(bins((1.0, 2.0)), (0.0, 5.0), 5.0).limit_y == 0.0
    assert strip(bins((1.0, 2.0)), (0.0, 5.0), -18.0).limit_y is None


def test_days_stand_where_they_begin():
    assert days(0, 100, [0, 50, 100]) == (WIDTH / 2,)
