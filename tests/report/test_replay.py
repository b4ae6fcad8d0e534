"""Replay: how often the winner stays first, held against normal theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from comparison_making import compared, five_by_hand, scenario
from report_making import truth_session
from scipy import stats

from extractor.comparison import simulated_repeats
from extractor.report import repeat_film


def test_two_antennas_with_an_assumed_spread_follow_the_normal_distribution() -> None:
    rows = scenario().query("antenna in ['Coil', 'Fan'] and mounting == 'm1'")
    fit = compared(rows).fit
    gap = abs(float(fit.means[0] - fit.means[1]))
    made = simulated_repeats.repeat(fit, "higher", repeats=20_000, mounting_sd=2.0)
    # Difference of two mountings: variance 2 * 2.0**2, plus the clips' share (2 clips each),
    # whose variance is drawn anew in each repeat: averaged over that by the t distribution.
    clip = float(fit.ms_within)
    rng = np.random.default_rng(0)
    drawn = clip * fit.layout.df_within / rng.chisquare(fit.layout.df_within, 20_000)
    expected = float(np.mean(stats.norm.cdf(gap / np.sqrt(8 + 2 * drawn / 2))))
    error = math.sqrt(expected * (1 - expected) / 20_000)
    assert made.stays_first / made.repeats == pytest.approx(expected, abs=5 * error)
    assert made.assumed


def test_measured_spread_gives_the_t_distribution() -> None:
    fit = compared(scenario()).fit
    made = simulated_repeats.repeat(fit, "higher", repeats=20_000)
    column = made.antennas.index("Fan")
    spread = made.means[:, column] - fit.means[column]
    # Balanced: variance MS / 2 with 4 degrees of freedom, drawn as MS * df / chi-square.
    t = spread / math.sqrt(float(fit.ms_between) / 2)
    assert stats.kstest(t, stats.t(fit.layout.df_between).cdf).pvalue > 1e-3
    assert sum(made.first) == made.repeats
    assert made.winner == "Slab"


def test_without_spread_between_mountings_the_clips_alone_move_the_means() -> None:
    fit = compared(scenario().query("mounting == 'm1'")).fit
    made = simulated_repeats.repeat(fit, "higher", repeats=20_000, mounting_sd=0.0)
    # Each antenna has a clip on each of two ports: variance MS / 2, MS drawn for each repeat.
    t = (made.means - fit.means) / math.sqrt(float(fit.ms_within) / 2)
    for column in t.T:
        assert stats.kstest(column, stats.t(fit.layout.df_within).cdf).pvalue > 1e-3


def test_the_lower_may_win() -> None:
    rows = scenario()
    made = simulated_repeats.repeat(compared(rows, better="lower").fit, "lower")
    assert made.winner == "Stub"
    assert made.stays_first > 900


def test_where_nothing_was_repeated_spreads_are_assumed_and_named_so() -> None:
    comparison = compared(five_by_hand())
    made = simulated_repeats.replays(comparison)
    assert [m.mounting_sd for m in made] == [0.5, 1.0, 2.0, 3.0]
    counts = [m.stays_first for m in made]
    assert counts == sorted(counts, reverse=True)
    assert "assumed here and not measured" in simulated_repeats.sentence(made, "Ant1", "Mbit/s")
    (one,) = simulated_repeats.replays(comparison, assumed=1.5)
    assert one.mounting_sd == 1.5


def test_film_and_still(tmp_path, monkeypatch) -> None:
    import av

    monkeypatch.setattr(repeat_film, "RATE_HZ", 4)
    folder = truth_session(tmp_path / "club")
    said, film, still = repeat_film.write_replay(folder)
    assert said.startswith("Slab stays first in ")
    assert said.endswith("of 1,000 simulated repeats.")
    with av.open(str(film)) as container:
        assert [s.type for s in container.streams] == ["video"]
        stream = container.streams.video[0]
        assert stream.codec_context.name == "h264"
        assert (stream.width, stream.height) == (repeat_film.WIDTH, repeat_film.HEIGHT)
        assert len(list(container.decode(stream))) == 4 * repeat_film.LENGTH_S
    assert still.read_bytes().startswith(b"\x89PNG")


def test_pace_shows_everything_in_the_end() -> None:
    assert repeat_film._pace(0, 1000) == 1
    assert repeat_film._pace(1, 1000) == 1000
