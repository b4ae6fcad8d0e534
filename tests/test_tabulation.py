"""From readings to rows: which row a correction is about, and how clips of one run are joined."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pandas as pd
import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from series_making import make_series

from extractor.pipeline import read_session
from extractor.reading.cache import ClipState, FieldState
from extractor.reading.clip_job import ReadOptions
from extractor.report import pack
from extractor.results import Results, load
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field
from extractor.session.recordings import lengths_of
from extractor.statistics.series import between, joined
from extractor.tabulation import clip_tables
from extractor.tabulation.clip_tables import row_at

#: Ten a second, and one gap where nothing was recorded.
TIMES = [0.0, 0.1, 0.2, 0.3, 0.4, 5.0, 5.1]


@pytest.mark.parametrize(
    ("time_s", "row"),
    [
        (0.2, 2),
        (0.2 + 0.05, 2),
        (0.2 - 0.049, 2),
        (0.151, 2),
        (-0.05, 0),
        (-0.0515, None),
        (0.45, 4),
        (0.4515, None),
        (4.9485, None),
        (4.9495, 5),
        (5.15, 6),
        (5.1515, None),
        (2.5, None),
    ],
)
def test_a_correction_reaches_half_a_sampling_period_to_both_sides(
    time_s: float, row: int | None
) -> None:
    assert row_at(TIMES, time_s) == row


def test_of_a_single_reading_any_correction_is_about_it() -> None:
    assert row_at([3.0], 0.0) == row_at([3.0], 3.04) == row_at([3.0], 99.0) == 0
    assert row_at([], 0.0) is None


def part(times: list[float]) -> pd.DataFrame:
    return make_series(range(len(times)), time_s=times, since_s=times)


def test_a_clip_begins_one_period_after_the_last_reading_of_the_one_before() -> None:
    found = joined([part([0.0, 0.1, 0.2]), part([0.0, 0.2, 0.4]), part([0.0])])
    assert found["time_s"].tolist() == pytest.approx([0, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9])
    assert found["since_s"].tolist() == found["time_s"].tolist()
    assert found["value"].tolist() == [0, 1, 2, 0, 1, 2, 0]


def test_times_rise_even_after_a_single_reading_and_an_empty_clip() -> None:
    found = joined([part([0.0]), part([]), part([0.0, 0.1])])
    assert found["time_s"].is_monotonic_increasing
    assert found["time_s"].is_unique


def test_one_clip_stays_as_it_is() -> None:
    one = part([0.0, 0.1])
    assert joined([one]) is one
    assert len(joined([one, part([])])) == 2


@pytest.mark.parametrize(
    ("start_s", "end_s", "kept"),
    [(None, None, 3), (math.nan, math.nan, 3), (0.1, None, 2), (None, 0.2, 2), (0.1, 0.2, 1)],
)
def test_the_start_counts_and_the_end_does_not(
    start_s: float | None, end_s: float | None, kept: int
) -> None:
    assert len(between(part([0.0, 0.1, 0.2]), start_s, end_s)) == kept


@pytest.fixture
def split(tmp_path: Path, grey_reader: GreyReader) -> Session:
    """Read a run in two files whose length is no multiple of the sampling period."""
    make_clip(tmp_path / "a.mp4", steady(37 / 30), stairs)
    make_clip(tmp_path / "b.mp4", steady(37 / 30), lambda t: stairs(t) // 2)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    (tmp_path / "runs.csv").write_text(
        'run,clip,start_s,end_s\nearly,"a.mp4;b.mp4",,1.35\nlate,"a.mp4;b.mp4",1.35,\n'
    )
    session = Session(tmp_path)
    read_session(session, ReadOptions(jobs=1, crosscheck=0))
    return session


def charted(results: Results) -> dict[str, pd.DataFrame]:
    rows = results.rows("bitrate").to_dict("records")
    return {str(row["run"]): results.series(row, "bitrate") for row in rows}


def test_summary_charts_and_packs_join_the_clips_of_a_run_alike(
    split: Session, tmp_path_factory: pytest.TempPathFactory
) -> None:
    shown = charted(load(split.root))
    # Readings at 0.0 to 1.2 s in both files: the second begins at 1.3 s, not at 37/30 s.
    assert shown["early"]["time_s"].iloc[-1] == pytest.approx(1.3, abs=2e-3)
    assert [len(series) for series in shown.values()] == [14, 12]
    assert lengths_of(split, ["a.mp4"])["a.mp4"] == pytest.approx(1.3, abs=2e-3)
    with (split.results / "summary.csv").open(encoding="utf-8") as stream:
        summary = {row["run"]: row for row in csv.DictReader(stream)}
    for run, series in shown.items():
        assert int(summary[run]["n"]) == len(series)
        assert float(summary[run]["mean"]) == pytest.approx(series["value"].mean())
        times = series["time_s"]
        lasts_s = times.iloc[-1] - times.iloc[0] + 0.1
        assert float(summary[run]["duration_s"]) == pytest.approx(lasts_s, abs=2e-3)
    made = pack.pack(split, tmp_path_factory.mktemp("packs") / "p.zip")
    with pack.opened(made) as opened:
        for run, series in charted(load(opened)).items():
            pd.testing.assert_frame_equal(series, shown[run])


def test_a_clip_of_which_much_is_unreadable_is_warned_of_and_one_that_is_not_is_not() -> None:
    item = Field("bitrate", (320, 180), Box(0, 0, 60, 20))

    def said(unreadable: int, sure_of_them: float = 0.2) -> list[str]:
        texts = [f"{20 + row % 7 / 10:.1f}" for row in range(100)]
        sure = [sure_of_them if row % 3 and row < 1.5 * unreadable else 0.99 for row in range(100)]
        seen = FieldState(texts, [row / 10 for row in range(100)], sure)
        times = [row / 10 for row in range(100)]
        state = ClipState(
            "", "", "", 0.9, (320, 180), {}, {}, times, [False] * 100, {"bitrate": seen}, 10.0,
            0.04, 250, 0, 0, "yes",
        )  # fmt: skip
        notes = clip_tables.clip_series(state, [item], ()).notes
        return [note for note in notes if "is not readable" in note]

    assert not said(4)
    assert "some of the rest may be misread" in said(8)[0]
    assert "look at the box" in said(64)[0]
    # What counts by its surroundings alone stands at the gate.
    assert "not readable or only just, and some of the rest" in said(8, 0.9)[0]
    assert not said(8, 0.91)
