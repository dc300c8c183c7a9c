from dashboards.figures import look

FIGURE = {
    "data": [
        {
            "y": [1.0, None],
            "line": {"color": look.TEMPERATURE, "width": 2},
            "fillcolor": look.faint(look.FOOD),
        },
        {"marker": {"color": look.LIMIT, "size": 11}, "name": "plain words"},
    ],
    "layout": {
        "paper_bgcolor": look.PAPER,
        "font": look.FONT,
        "xaxis": {"range": [1, 2], "gridcolor": look.RULE},
    },
}
INKS = {
    getattr(look, name)
    for name in vars(look)
    if name.isupper() and not name.startswith("_") and isinstance(getattr(look, name), str)
}


def test_by_day_a_figure_is_left_as_it_is():
    assert look.in_theme(FIGURE, None) is FIGURE
    assert look.in_theme(FIGURE, "day") is FIGURE


def test_by_night_no_ink_of_the_day_is_left_and_everything_else_stays():
    drawn = look.in_theme(FIGURE, "night")
    assert not any(ink in str(drawn) for ink in INKS)
    assert drawn["data"][0]["y"] == [1.0, None]
    assert drawn["data"][0]["line"]["width"] == 2
    assert drawn["data"][1]["name"] == "plain words"
    assert drawn["layout"]["xaxis"]["range"] == [1, 2]


def test_in_the_sun_lines_are_thicker_on_white():
    drawn = look.in_theme(FIGURE, "sun")
    assert drawn["layout"]["paper_bgcolor"] == "#fff"
    assert drawn["data"][0]["line"]["width"] > 3
    assert drawn["data"][1]["marker"]["size"] == 11


def test_every_ink_has_one_for_the_night_and_one_for_the_sun():
    assert len(INKS) == 11
    for theme in ("night", "sun"):
        assert not INKS & {look.in_theme(ink, theme) for ink in INKS}
