"""Replay: how often the winner stays first, held against integrals over two antennas."""

from __future__ import annotations

import dataclasses
import math

import av
import cv2
import numpy as np
import pytest
from comparison_making import compared, fitted, five_by_hand, grouped, scenario
from report_making import made_up_session, truth_session
from scipy import stats

from extractor.comparison import simulated_repeats
from extractor.comparison.simulated_repeats import best_probability, posterior
from extractor.errors import UsageError
from extractor.report import repeat_film
from extractor.video.encoding import Format


def of_two(gap: float, variance: float, df: float) -> tuple[float, float]:
    """Of two antennas: how probably the better one is better, and comes first again.

    By quadrature over SciPy's distributions, an independent computation: given the variances of
    the two means (each scaled chi-squared) and the levels' sd (half-Cauchy) the difference is
    normal around its shrunken value.
    """
    spots = (np.arange(200) + 0.5) / 200
    own = variance * df / stats.chi2.ppf(spots, df)
    noise = (own[:, None] + own[None, :]).reshape(1, -1)
    levels = noise * stats.halfcauchy.ppf(spots[:, None]) ** 2
    heft = stats.norm.pdf(gap, scale=np.sqrt(levels + noise))
    kept = levels / (levels + noise)
    better = stats.norm.cdf(kept * gap / np.sqrt(kept * noise))
    again = stats.norm.cdf(kept * gap / np.sqrt(kept * noise + noise))
    return float((heft * better).sum() / heft.sum()), float((heft * again).sum() / heft.sum())


@pytest.mark.parametrize("gap", [0.4, 1.5, 4.0])
@pytest.mark.parametrize(
    # Mean square 1 with 2 degrees of freedom of their own and 0.5 / 1.25 lent, means of three;
    # of two mountings mean square 0.5 with the 2 degrees of freedom of all.
    ("values", "variance", "df"),
    [((9.0, 10.0, 11.0), 1 / 3, 2.4), ((10.0, 11.0), 0.25, 2)],
)
def test_two_antennas_agree_with_a_quadrature(gap, values, variance, df) -> None:
    fit = fitted(grouped([values, [v + gap for v in values]]))
    better, again = of_two(gap, variance, df)
    assert best_probability(fit, "higher")[1] == pytest.approx(better, abs=0.006)
    assert best_probability(fit, "lower")[1] == pytest.approx(1 - better, abs=0.006)
    drawn = posterior(fit, 100_000)
    assert drawn is not None
    assert np.mean(drawn[1][:, 1] > drawn[1][:, 0]) == pytest.approx(again, abs=0.006)
    # A flat prior would claim more: Student's t at the difference over its standard error.
    assert better < stats.t.cdf(gap / math.sqrt(2 * variance), 2 * len(values) - 2)


def test_equal_antennas_do_not_stay_first_by_being_first() -> None:
    """Truth 1 in 4; levels taken as measured say more than half."""
    rng = np.random.default_rng(8)
    said = []
    for _ in range(60):
        drawn = posterior(fitted(grouped(rng.normal(0, 1, (4, 3)))), 500)
        assert drawn is not None
        said.append(np.bincount(drawn[1].argmax(axis=1), minlength=4).max() / 500)
    assert np.mean(said) < 0.47


def test_far_apart_the_levels_are_where_they_were_measured() -> None:
    fit = fitted(grouped([[10.0, 11.0], [60.0, 61.0], [110.0, 111.0]]))
    drawn = posterior(fit, 50_000)
    assert drawn is not None
    assert np.median(drawn[0], axis=0) == pytest.approx([10.5, 60.5, 110.5], abs=0.1)


def test_the_lower_may_win() -> None:
    made = simulated_repeats.repeat(compared(scenario(), better="lower"))
    assert made.winner == "Stub"
    assert made.stays_first > 800
    assert sum(made.first) == made.repeats == len(made.means)


@pytest.mark.parametrize("rows", [five_by_hand(), grouped([[5, 5], [5, 5]])])
def test_without_spread_between_mountings_there_is_no_number(rows) -> None:
    comparison = compared(rows)
    with pytest.raises(UsageError, match="mount each antenna at least twice"):
        simulated_repeats.repeat(comparison)
    assert comparison.ranking["probability_best"].isna().all()
    nowhere = dataclasses.replace(comparison, better=None)
    with pytest.raises(UsageError, match="Is a higher or a lower"):
        simulated_repeats.repeat(nowhere)


def test_film_and_still(tmp_path) -> None:
    folder = truth_session(tmp_path / "club")
    said, film, still = repeat_film.write_replay(folder, form=Format(640, 480, 4))
    assert said.startswith("Slab stays first in ")
    assert said.endswith("of 1,000 simulated repeats.")
    with av.open(str(film)) as container:
        assert [s.type for s in container.streams] == ["video"]
        frames = [f.to_ndarray(format="rgb24") for f in container.decode(video=0)]
    assert len(frames) == 4 * repeat_film.LENGTH_S
    picture = cv2.imread(str(still))[..., ::-1]
    assert np.abs(frames[-1].astype(int) - picture).mean() < 4
    assert np.abs(frames[-1].astype(int) - frames[0]).mean() > 1
    assert said in film.with_suffix(".vtt").read_text()
    alone = made_up_session(tmp_path / "one", [("A", "U", "1")])
    with pytest.raises(UsageError, match="at least two"):
        repeat_film.write_replay(alone)


def test_pace_shows_everything_in_the_end() -> None:
    assert repeat_film._pace(0, 1000) == 1
    assert repeat_film._pace(1, 1000) == 1000
