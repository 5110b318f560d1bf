"""Pictures: to scale, the right way round, the same each time."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from pipeline.compare.arrivals import arrival_points, point_at
from pipeline.compare.conditions import Factor
from pipeline.compare.drawn import MOST_DRAWN, cell_names, shots_to_draw
from pipeline.compare.ground import ground
from pipeline.compare.on_table import arrival_picture, fan_picture, table_axes
from pipeline.compare.output import draw, write_comparison
from pipeline.compare.pictures import (
    counts_picture,
    effect_picture,
    interaction_picture,
    restitution_picture,
    style_of,
    svg,
)
from pipeline.compare.responses import response
from pipeline.pockets import mouths
from shared.equipment import standard_table

TABLE = standard_table()
FOOT_RIGHT = next(m for m in mouths(TABLE) if m.pocket == "foot-right")


@pytest.mark.parametrize(
    ("start", "cushion", "longer_goes"),
    [
        ((1613.0, 1242.5), "left", (1, 1)),  # off the left cushion towards the foot: long is further to the foot
        ((27.5, 800.0), "head", (-1, -1)),  # off the head cushion towards the right: long is further to the right
    ],
)
def test_long_is_further_along_the_cushion_the_ball_left(start, cushion, longer_goes):
    point = point_at(FOOT_RIGHT, np.array(start), cushion, 30.0)
    assert np.linalg.norm(point - FOOT_RIGHT.centre) == pytest.approx(30.0)
    assert tuple(np.sign(point - FOOT_RIGHT.centre)) == longer_goes
    short = point_at(FOOT_RIGHT, np.array(start), cushion, -30.0)
    assert np.allclose(point + short, 2 * FOOT_RIGHT.centre)


def test_arrivals_are_miss_mm_from_the_middle_of_the_mouth(two_evenings):
    shots, contacts = two_evenings
    counted = shots[shots["counted"]]
    place = ground(counted, contacts)
    points = arrival_points(counted, contacts, place)
    away = np.linalg.norm(points.to_numpy() - FOOT_RIGHT.centre, axis=1)
    assert np.allclose(away, counted.loc[points.index, "miss_mm"].astype(float).abs())
    assert len(points) == len(counted)


def test_table_is_drawn_to_scale():
    figure, axes = table_axes(TABLE)
    assert axes.get_aspect() == 1.0
    box = axes.patches[0]
    assert (box.get_width(), box.get_height()) == (2540.0, 1270.0)
    assert figure is not None


def test_effect_picture_shows_every_difference_and_the_unbounded_ones_as_such(two_evenings):
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.settings import CompareSettings

    settings = CompareSettings(responses=("rebound_settled_angle_deg",))
    comparison = compare_conditions(two_evenings[0], contacts=two_evenings[1], settings=settings)
    rows = comparison.contrasts
    figure = effect_picture(rows, response("rebound_settled_angle_deg", two_evenings[0]), 0.95)
    axes = figure.axes[0]
    assert len(axes.get_yticks()) == len(rows)
    dashed = [line for line in axes.lines if line.get_linestyle() == "--" and len(line.get_xdata()) == 2]
    assert len(dashed) == 2 * (rows["basis"] == "not told apart").sum()
    low, high = axes.get_xlim()
    assert low <= rows["raw_here_low"].min()
    assert high >= rows["raw_here_high"].max()


LONG = {
    "cloth": ("house rubber from the old hall down the road (2019)", "tournament rubber, freshly glued by the club"),
    "balls": ("clean balls from the practice set in the old box", "polished with the machine and wax for an hour"),
}


def text_outside(figure) -> list[str]:
    """The texts that reach beyond the picture's edge, and legends that lie over other texts."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    edge = figure.bbox
    axes = figure.axes[0]
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    undrawn = {tick for tick in axes.get_xticklabels() if not left <= tick.get_position()[0] <= right}
    undrawn |= {tick for tick in axes.get_yticklabels() if not low <= tick.get_position()[1] <= high}
    boxes = {text: text.get_window_extent(renderer) for text in figure.findobj(Text)
             if text.get_visible() and text.get_text() and text not in undrawn}
    found = [text.get_text() for text, box in boxes.items()
             if box.x0 < edge.x0 - 1 or box.x1 > edge.x1 + 1 or box.y0 < edge.y0 - 1 or box.y1 > edge.y1 + 1]
    legends = [legend.get_window_extent(renderer) for legend in figure.legends]
    found += ["legend" for box in legends if box.x0 < -1 or box.x1 > edge.x1 + 1]
    label = axes.xaxis.label
    found += [f"legend over {label.get_text()}" for box in legends
              if label.get_text() and box.overlaps(label.get_window_extent(renderer))]
    return found


@pytest.mark.filterwarnings("error")
def test_no_long_name_is_cut_off_or_lies_over_another():
    rows = pd.DataFrame(
        [{"factor": name, "a": a, "b": b, "at": "", "basis": "", "bound": 5.0, "adjusted_n": 4,
          **{f"{kind}_{what}": value for kind in ("raw", "adjusted")
             for what, value in (("diff", 1.0), ("low", 0.5), ("high", 1.5), ("here_low", 0.5), ("here_high", 1.5))}}
         for name, (a, b) in LONG.items()]
    )  # fmt: skip
    rows.loc[0, "at"] = f"balls {LONG['balls'][0]}"
    cells = [f"cloth {c}, balls {b}" for c in LONG["cloth"] for b in LONG["balls"]]
    shots = pd.DataFrame({"speed_at_impact_mps": [1.0, 1.2, 1.4, 1.6], "restitution": [0.8, 0.82, 0.79, 0.84]})
    counts = pd.DataFrame([{"cloth": c, "balls": b, "shots": 5, "counted": 4, "mishit": 1}
                           for c in LONG["cloth"] for b in LONG["balls"]])
    means = counts.assign(raw_mean=1.0, raw_low=0.5, raw_high=1.5, adjusted_mean=np.nan)
    factors = [Factor(name, levels) for name, levels in LONG.items()]
    one = response("miss_mm", shots)
    for figure in (effect_picture(rows, one, 0.95), counts_picture(counts, list(LONG)),
                   restitution_picture(shots, pd.Series(cells)), interaction_picture(means, factors, one)):
        assert text_outside(figure) == []
    short = [f"humidity {humidity} %, cloth {cloth}" for humidity in (40, 60) for cloth in ("new", "worn")]
    assert text_outside(restitution_picture(shots, pd.Series(short))) == []


def test_cells_differ_in_more_than_colour():
    styles = style_of([f"c{i}" for i in range(12)])
    assert len(set(styles.values())) == 12
    assert len({(marker, line) for _, marker, line in list(styles.values())[:7]}) == 7


def test_files_are_the_same_each_time_and_tracks_make_fans(two_evenings, tmp_path):
    from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session, tracks_of
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.settings import CompareSettings

    rows = simulate_session(
        "a", rng=np.random.default_rng(4), truth=Truth(), fixed={}, varied={"balls": ["clean", "polished"]}, repeats=5
    )
    shots, contacts = shots_table(rows), contacts_of(rows).assign(session="a")
    tracks = tracks_of(rows, contacts_of(rows)).assign(session="a")
    comparison = compare_conditions(shots, contacts=contacts, settings=CompareSettings(responses=("miss_mm",)))
    first, again = (draw(comparison, contacts, tracks) for _ in range(2))
    assert first == again
    captions = [caption for caption, _ in first["table"]]
    assert [c.split(": ")[1] for c in captions] == [
        "arrival points at the target, by condition",
        "paths by condition",
        "restitution against speed",
    ]
    page = write_comparison(tmp_path, comparison, contacts=contacts, tracks=tracks)
    assert len(re.findall("<figure>", page.read_text(encoding="utf-8"))) == sum(len(v) for v in first.values())
    counted = comparison.shots[comparison.shots["counted"]]
    cells = cell_names(counted, ["balls"])
    assert set(cells) == {"balls clean", "balls polished"}
    assert fan_picture(counted, pd.DataFrame(), cells) is None
    assert arrival_picture(counted, pd.DataFrame(), cells, comparison.grounds["long-side-bank, medium"]) is None
    assert svg(table_axes(TABLE)[0]).count("<svg") == 1


def test_of_many_shots_some_are_drawn_and_the_caption_says_so():
    from fixtures.simulated_sessions import Truth, contacts_of, shots_table, simulate_session
    from pipeline.compare.comparison import compare_conditions
    from pipeline.compare.settings import CompareSettings

    rows = simulate_session("a", rng=np.random.default_rng(4), truth=Truth(), fixed={},
                            varied={"balls": ["clean", "polished"]}, repeats=MOST_DRAWN + 60)
    shots, contacts = shots_table(rows), contacts_of(rows).assign(session="a")
    comparison = compare_conditions(shots, contacts=contacts, settings=CompareSettings(responses=("miss_mm",)))
    chosen, cells = shots_to_draw(comparison.shots, comparison.factors)
    assert dict(cells.value_counts()) == {"balls clean": MOST_DRAWN, "balls polished": MOST_DRAWN}
    assert chosen["counted"].all()
    order = np.flatnonzero(comparison.shots.index.isin(chosen.index))
    assert order.max() > 0.98 * len(comparison.shots)  # spread over the session, not its beginning
    caption = draw(comparison, contacts, pd.DataFrame())["table"][0][0]
    assert re.search(rf"\({2 * MOST_DRAWN} of \d+ shots\)$", caption)
