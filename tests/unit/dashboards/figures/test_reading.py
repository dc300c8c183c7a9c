from dashboards.figures.reading import read_in
from dashboards.language import Reader, read_by

FIGURE = {
    "data": [{"name": "Cabinet", "y": [0.0, None, 5.0]}, {"name": "Battery", "y": [12.0], "yaxis": "y2"}],
    "layout": {
        "yaxis": {"title": {"text": "°C"}, "range": [-20, 40]},
        "yaxis2": {"title": {"text": "V"}},
        "shapes": [{"yref": "y", "y0": 4, "y1": 4}, {"yref": "paper", "y0": 0, "y1": 1}],
        "annotations": [{"y": 4, "text": "limit"}, {"yref": "y2", "y": 11}],
    },
}


def test_a_chart_in_celsius_with_a_point_stays_as_it_is():
    assert read_in(FIGURE) == FIGURE


def test_only_what_lies_on_an_axis_of_temperatures_changes_its_scale():
    with read_by(Reader("en", "f")):
        found = read_in(FIGURE)
    assert [trace["y"] for trace in found["data"]] == [[32.0, None, 41.0], [12.0]]
    layout = found["layout"]
    assert (layout["yaxis"]["title"]["text"], layout["yaxis"]["range"]) == ("°F", [-4.0, 104.0])
    assert layout["yaxis2"] == FIGURE["layout"]["yaxis2"]
    assert layout["shapes"] == [{"yref": "y", "y0": 39.2, "y1": 39.2}, {"yref": "paper", "y0": 0, "y1": 1}]
    assert [note["y"] for note in layout["annotations"]] == [39.2, 11]
    assert FIGURE["layout"]["yaxis"]["title"]["text"] == "°C"


def test_numbers_of_a_chart_carry_the_readers_decimal_mark():
    with read_by(Reader("fr")):
        assert read_in(FIGURE)["layout"]["separators"] == ", "
