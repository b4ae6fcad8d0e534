"""Charts: numbers read back from the figures, colours under simulated colour blindness."""

from __future__ import annotations

import itertools
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from comparison_making import compared, scenario
from matplotlib.collections import PolyCollection
from report_making import made_up_session, truth_session, words_in
from seeing import BLINDNESS, contrast, lab, linear

from extractor.comparison.drift import drifts
from extractor.errors import TableError
from extractor.pipeline import compare_sessions
from extractor.report import theme
from extractor.report.charts import clips, distribution, drift, ports, quality, ranking, style
from extractor.report.charts import session as session_charts
from extractor.report.kept_looks import looks_of
from extractor.results import load, main_field, second_field
from extractor.session.antennas import read_antennas


def test_simulation_leaves_white_and_the_known_contrast_alone() -> None:
    for matrix in BLINDNESS.values():
        np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=2e-6)
    assert lab(np.ones(3)) == pytest.approx([100, 0, 0], abs=1e-9)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # WCAG's example


@pytest.mark.parametrize("blindness", BLINDNESS)
@pytest.mark.parametrize("side", [0, 1])
def test_antennas_differ_whoever_looks(blindness: str, side: int) -> None:
    # Sharma, Wu and Dalal 2005: a just noticeable difference is about 2.3.
    seen = [lab(BLINDNESS[blindness] @ linear(pair[side])) for pair in theme.PALETTE.values()]
    least = min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2))
    assert least > 11 * 2.3


@pytest.mark.parametrize(("side", "paper"), [(0, theme.PAPER), (1, theme.DARK[theme.PAPER])])
def test_antennas_can_be_read_on_paper_and_differ_in_grey(side: int, paper: str) -> None:
    colors = [pair[side] for pair in theme.PALETTE.values()]
    assert min(contrast(c, paper) for c in colors) >= 4.5  # WCAG 2.2, 1.4.3
    lightness = sorted(float(lab(linear(c))[0]) for c in colors)
    assert min(b - a for a, b in itertools.pairwise(lightness)) > 2.3


@pytest.mark.parametrize("color", [theme.INK, theme.SOFT, theme.WARN])
def test_text_is_readable_on_both_papers(color: str) -> None:
    assert contrast(color, theme.PAPER) >= 4.5  # WCAG 2.2, 1.4.3
    assert contrast(theme.DARK[color], theme.DARK[theme.PAPER]) >= 4.5


def test_looks_stay_apart_and_who_comes_later_changes_nobody() -> None:
    names = [f"antenna {i}" for i in range(12)]
    found = theme.looks(names)
    assert len({(look.color, look.marker) for look in found.values()}) == len(names)
    assert len({look.marker for look in found.values()}) == len(names)
    few = theme.looks(names[:5])
    assert all(found[name] == look for name, look in few.items())
    kept = {"antenna 3": ("blue", ""), "antenna 0": ("teal", "star")}
    chosen = theme.looks(names[:6], kept)
    assert (chosen["antenna 0"].colour, chosen["antenna 0"].mark) == ("teal", "star")
    assert len({look.colour for look in chosen.values()}) == 6


def test_looks_are_kept_where_the_antennas_stand_and_the_earliest_wins(tmp_path: Path) -> None:
    first, second = (truth_session(tmp_path / name) for name in ("one", "two"))
    path = second / "antennas.csv"
    text = "antenna;gain_dbi;colour;owner\nFan;7,5;red;club\nMast;1;;\n"
    path.write_text(text)
    alone = looks_of([load(second)])
    assert alone["Fan"].colour == "red"
    assert path.read_text().splitlines()[1].startswith("Fan;7,5;red;club;")
    assert {"Slab", "Coil", "Stub", "Mast"} == {
        line.split(";")[0] for line in path.read_text().splitlines()[2:]
    }
    before = path.read_text()
    assert looks_of([load(second)]) == alone
    both = looks_of([load(first), load(second)])
    assert both == looks_of([load(first)])
    assert path.read_text() == before
    assert looks_of([load(second), load(first)])["Fan"].colour == "red"
    path.write_text("antenna,colour\nFan,pink\n")
    with pytest.raises(TableError, match="colour is 'pink'; write blue, olive"):
        read_antennas(path)
    path.unlink()
    assert looks_of([load(second)]) == theme.looks(dict.fromkeys(("Stub", "Slab", "Fan", "Coil")))
    assert not path.exists()


def test_long_names_stay_distinct() -> None:
    names = ["x" * 200 + str(i) + "y" * 200 for i in range(12)]
    short = theme.short_names(names)
    assert len(set(short.values())) == len(names)
    assert max(map(len, short.values())) <= theme.LONGEST_NAME
    assert theme.short_names(["a\nb\u202ec"]) == {"a\nb\u202ec": "a b c"}


def axes_of():
    return style.new_figure(9, 5).subplots()


def marker_positions(axes, markers=("o", "s", "^", "D", "v", "P")):
    return [
        (float(x), float(y))
        for line in axes.lines
        if line.get_marker() in markers
        for x, y in zip(
            np.atleast_1d(line.get_xdata()), np.atleast_1d(line.get_ydata()), strict=True
        )
    ]


@pytest.fixture(scope="module")
def club():
    return compared(scenario())


def test_ranking_shows_the_table(club) -> None:
    table = club.ranking
    with style.drawing():
        axes = ranking.draw_ranking(axes_of(), club, theme.looks(table["antenna"]), "mean bitrate")
    assert [x for x, _ in marker_positions(axes)] == pytest.approx(table["mean"].tolist())
    bars = [line.get_xdata() for line in axes.lines if line.get_linestyle() == "-"]
    shown = {tuple(np.round(np.asarray(b, float), 6)) for b in bars if len(b) == 2}
    wanted = table[["low", "high"]].round(6).itertuples(index=False, name=None)
    assert set(wanted) <= shown
    ticks = [line for line in axes.lines if line.get_marker() == "|"]
    runs = [v for t in ticks if t.get_linestyle() == "None" for v in t.get_xdata()]
    assert sorted(runs) == pytest.approx(sorted(club.runs["value"]))
    texts = " ".join(t.get_text() for t in axes.texts)
    assert texts.count("n = 4 runs, 2 mountings") == 4
    assert "can't be" in texts
    assert axes.get_xlabel() == "Mean bitrate, Mbit/s"


def test_runs_far_from_the_interval_are_not_cut_off(club) -> None:
    runs = club.runs.copy()
    runs.loc[runs.index[:2], "value"] = (runs["value"].min() - 30, runs["value"].max() + 30)
    with style.drawing():
        axes = ranking.draw_ranking(
            axes_of(),
            replace(club, runs=runs),
            theme.looks(club.ranking["antenna"]),
            "mean bitrate",
        )
    left, right = axes.get_xlim()
    assert left <= runs["value"].min() and runs["value"].max() <= right


def test_ranking_of_single_mountings_says_what_its_bars_are() -> None:
    rows = scenario().query("mounting == 'm1'")
    table = compared(rows).ranking
    assert "as recorded here; none for the antennas" in ranking.interval_words(table, 0.95)
    assert ranking.interval_words(compared(scenario()).ranking, 0.9).startswith("90 % interval")


def test_port_lines_join_what_one_mounting_read(club) -> None:
    with style.drawing():
        axes = ports.draw_ports(
            axes_of(), club.runs, theme.looks(club.runs["antenna"]), unit="Mbit/s", measure="mean"
        )
    cells = ports.paired(club.runs)
    drawn = sorted(tuple(line.get_ydata()) for line in axes.lines)
    assert drawn == sorted(map(tuple, cells.to_numpy(float)))
    assert sum("n = 2 mountings" in t.get_text() for t in axes.texts) == 4


def test_every_run_and_mounting_is_a_mark_of_its_own(club) -> None:
    order = club.ranking["antenna"].tolist()
    with style.drawing():
        axes = distribution.draw_distribution(
            axes_of(), club.runs, order, theme.looks(order), unit="Mbit/s", measure="mean"
        )
    values = sorted(x for x, _ in marker_positions(axes))
    assert values == pytest.approx(sorted(club.runs["value"]))
    assert not axes.patches
    bars = sorted(
        float(segment[0, 0])
        for collection in axes.collections
        if collection.get_alpha() == 0.55
        for segment in collection.get_segments()
    )
    means = club.runs.groupby(["antenna", "mounting"])["value"].mean()
    assert bars == pytest.approx(sorted(means))
    assert all("n = 4 runs" in t.get_text() for t in axes.get_yticklabels())


def test_drift_shows_distances_from_the_level_and_the_slope(club) -> None:
    levels = dict(zip(club.ranking["antenna"], club.ranking["mean"], strict=True))
    (found,) = drifts(club.fit, club.runs)
    with style.drawing():
        axes = drift.draw_drift(axes_of(), club, theme.looks(list(levels)), found)
    off = {
        (float(r["order"]), round(r["value"] - levels[r["antenna"]], 9))
        for r in club.runs.to_dict("records")
    }
    assert {(x, round(y, 9)) for x, y in marker_positions(axes)} == off
    (line,) = [line for line in axes.lines if line.get_linestyle() == "--"]
    start, end = line.get_ydata()
    assert end - start == pytest.approx(found.change)
    assert "99 % interval" in axes.get_title(loc="left")
    assert "n = 16 runs" in axes.get_xlabel()


def test_quality_bars_add_up_and_equal_the_counts() -> None:
    summary = pd.DataFrame(
        {"n": [80.0, 0.0], "n_hidden": [15.0, 0.0], "n_spike": [5.0, 0.0],
         "crosscheck_n": [20.0, 0.0], "crosscheck_agree": [0.9, math.nan]}
    )  # fmt: skip
    with style.drawing():
        axes = quality.draw_quality(axes_of(), summary, ["a", "nothing read"])
    bars = [path.get_extents() for part in axes.collections for path in part.get_paths()]
    assert all(bar.y1 < 0.5 for bar in bars)  # of what was not sampled there is no bar
    assert sorted(round(bar.width, 6) for bar in bars) == [5, 15, 80]
    ends = sorted((bar.x0, bar.x1) for bar in bars)
    assert [end for _, end in ends[:-1]] == [start for start, _ in ends[1:]]
    assert axes.get_xlim() == (0, 100)
    texts = [t.get_text() for t in axes.texts]
    assert texts[0] == "n = 100; cross-check 2 of 20 differ"
    assert texts[1].startswith("n = 0")
    assert texts[2:] == ["a", "nothing read"]


def test_a_run_hides_nothing_that_was_flagged() -> None:
    flags = ["ok", "ok", "no_link", "no_link", "ok", "spike", "hidden", "unreadable", "corrected"]
    values = [30, 2, math.nan, math.nan, 31, 99, math.nan, math.nan, 32]
    series = pd.DataFrame(
        {"time_s": np.arange(9) / 10 + 5, "value": np.array(values, float), "flag": flags}
    )
    look = theme.looks(["A"])["A"]
    run = clips.RunSeries("A, Red", series, look, mean=23.75, low=4.0, ceiling=40.0)
    with style.drawing():
        sheet = style.new_figure(*clips.runs_size(1), arranged=False)
        clips.draw_runs(sheet, [run], clips.common_scale([run]), "bitrate", "Mbit/s")
    axes = sheet.axes[0]
    (curve,) = [line for line in axes.lines if line.get_drawstyle() == "steps-post"]
    np.testing.assert_array_equal(
        np.asarray(curve.get_ydata()), [30, 2, *[math.nan] * 2, 31, *[math.nan] * 3, 32]
    )
    (spans,) = [one for one in axes.collections if isinstance(one, PolyCollection)]
    # From the low reading to where the link is back
    (span,) = spans.get_paths()
    assert (span.vertices[:, 0].min(), span.vertices[:, 0].max()) == pytest.approx((0.1, 0.4))
    crosses = marker_positions(axes, ("x",))
    assert crosses == [pytest.approx((0.5, 99))]
    assert marker_positions(axes, ("o",)) == [pytest.approx((0.8, 32))]
    assert len(marker_positions(axes, ("|",))) == 2
    assert "A, Red\nmean 23.8, n = 4" in [text.get_text() for text in axes.texts]
    assert axes.get_ylim()[0] == 0


def test_small_charts_of_many_runs_stand_each_in_its_place_on_one_scale() -> None:
    look = theme.looks(["A"])["A"]
    runs = [
        clips.RunSeries(
            f"run {i}",
            pd.DataFrame(
                {"time_s": [0.0, 10.0], "value": [10.0 * i, 10.0 * i], "flag": ["ok", "ok"]}
            ),
            look,
            mean=10.0 * i,
        )
        for i in range(6)
    ]
    scale = clips.common_scale(runs)
    with style.drawing():
        figure = style.new_figure(*clips.runs_size(len(runs)), arranged=False)
        clips.draw_runs(figure, runs, scale, "bitrate", "Mbit/s")
        figure.canvas.draw()
    (sheet,) = figure.axes
    titles = [t for t in sheet.texts if t.get_text().startswith("run ")]
    curves = [line for line in sheet.lines if line.get_drawstyle() == "steps-post"]
    assert len(titles) == len(curves) == 6
    inches = [line.get_transform().transform([[0.0, 0.0], [10.0, scale.top]]) for line in curves]
    for title, place in zip(titles, inches, strict=True):
        assert sheet.transData.transform(title.get_position())[0] == pytest.approx(place[0, 0])
        assert sheet.transData.transform(title.get_position())[1] > place[1, 1]
    sizes = [place[1] - place[0] for place in inches]
    np.testing.assert_allclose(sizes, [sizes[0]] * 6)
    assert inches[0][1, 0] < inches[1][0, 0] and inches[0][0, 1] > inches[4][1, 1]
    numbers = {t.get_text() for t in sheet.texts}
    assert {"0", "10", "20", "Time, s", "Bitrate, Mbit/s"} <= numbers


def test_outage_at_the_end_lasts_one_more_instant() -> None:
    times, flags = np.array([0, 0.1, 0.2]), np.array(["ok", "no_link", "no_link"])
    found = clips.outages(times, np.array([30, np.nan, np.nan]), flags, math.nan)
    assert found == [pytest.approx((0.1, 0.3))]


def test_no_chart_of_a_report_is_without_n(tmp_path) -> None:
    runs = [(a, p, m) for a in ("A", "B", "C") for m in ("1", "2") for p in ("U", "L")]
    folder = made_up_session(tmp_path / "club", runs, flags=("ok",) * 9 + ("no_link",))
    results = [load(folder)]
    info = main_field(results, None)
    comparison = compare_sessions([folder])
    material = session_charts.Material(
        tuple(results), info, second_field(results, info.name), comparison
    )
    names = []
    with style.drawing(session_charts.words(material)):
        for chart in session_charts.charts(material):
            names.append(chart.name)
            assert re.search(r"n = \d", words_in(chart.figure)), chart.name
            assert chart.alt and chart.caption
    assert names == [
        *("ranking", "ports", "runs-bitrate", "distribution", "drift", "quality-bitrate"),
    ]


def test_names_are_text_and_no_formula(tmp_path) -> None:
    hostile = [
        ("$\\frac{a}{b}$", "U", "1"),
        ("$x", "U", "1"),
        ("שלום", "U", "1"),
        ("日本", "U", "1"),
    ]
    folder = made_up_session(tmp_path / "odd", hostile)
    results = [load(folder)]
    material = session_charts.Material(tuple(results), main_field(results, None), None, None)
    with style.drawing(session_charts.words(material)):
        figure = next(session_charts.charts(material)).figure
        labels = words_in(figure)
        assert "$\\frac{a}{b}$" in labels
        style.png(figure, 40)


def test_names_that_no_font_holds_are_told_once_in_a_plain_line(fonts, caplog) -> None:
    fonts({"DejaVu Sans"})
    for _ in range(2):
        with style.drawing(["日本\x07", "Slab"]):
            figure = style.new_figure(3, 2)
            figure.subplots().set_title("日本 Slab")
            style.png(figure, 40)  # a Python warning would be an error here
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith("warning: no installed font holds 日本\\u0007: boxes")
    assert "\n" not in line


def test_a_font_installed_after_the_list_was_made_is_found(fonts, caplog, tmp_path) -> None:
    import matplotlib

    broken, fresh = tmp_path / "broken.ttf", tmp_path / "fresh.ttf"
    broken.write_bytes(b"no font")
    shutil.copy(Path(matplotlib.get_data_path(), "fonts/ttf/STIXGeneral.ttf"), fresh)
    fonts({"DejaVu Sans"}, on_system=[str(broken), str(fresh)])
    odd = "\N{LATIN SMALL LETTER D WITH PALATAL HOOK}"
    with style.drawing([odd]):
        assert matplotlib.rcParams["font.family"] == ["DejaVu Sans", "STIXGeneral"]
        figure = style.new_figure(3, 2)
        figure.subplots().set_title(odd, fontweight="bold")  # this file has no bold
        style.png(figure, 40)
    assert caplog.records == []


def test_inlined_pictures_keep_their_ids_to_themselves() -> None:
    pictures = []
    for _ in range(2):
        with style.drawing():
            figure = style.new_figure(3, 2)
            figure.subplots().plot([0, 1], [0, 1], color=theme.PALETTE["blue"][0])
            pictures.append(style.svg(figure))
    picture = pictures[0]
    assert picture == pictures[1]  # the same every time
    text = style.inline(picture, "first")
    assert text.startswith("<svg ")
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert all(i.startswith("first-") for i in ids)
    assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', text)) <= set(ids)
    assert "var(--antenna-blue)" in text
    assert theme.PALETTE["blue"][0] not in text
