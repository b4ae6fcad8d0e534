"""Sampling, change instants, the gate, still pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import av
import numpy as np
import pytest
from clipmaker import BOX, GreyReader, make_clip, stairs, steady

from extractor.reading import clip_reading, plausibility, temporal_evidence
from extractor.reading.number_parsing import interpret
from extractor.reading.readers.base import Line
from extractor.reading.readers.glyphs import GlyphSet
from extractor.session.overlay import Box, Field
from extractor.statistics.flags import Flag
from extractor.video import clips
from extractor.video.crops import Crop

FIELD = Field("bitrate", (320, 180), Box(*BOX))


def read(path: Path, reader: GreyReader | None = None, **more: object) -> clip_reading.ClipReadings:
    return clip_reading.read_fields(
        clips.probe(path), [FIELD], [FIELD.box], reader or GreyReader(), **more
    )


def test_steady_rate_and_values(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(4.0), stairs)
    result = read(tmp_path / "a.mp4")
    assert result.time_s == pytest.approx([i / 10 for i in range(40)], abs=1e-3)
    assert result.fields["bitrate"].text == [str(stairs(t)) for t in result.time_s]
    assert result.duration_s == pytest.approx(4.0, abs=0.01)
    assert result.frame_s == pytest.approx(1 / 30, abs=1e-3)


def test_change_instants_are_exact_to_a_frame(tmp_path: Path) -> None:
    times = steady(4.0, 50)
    make_clip(tmp_path / "a.mp4", times, stairs)
    result = read(tmp_path / "a.mp4")
    since = result.fields["bitrate"].since_s
    for t, s in zip(result.time_s, since, strict=True):
        if t < 0.4 - 1e-6:
            assert math.isnan(s)  # it may have stood there before the clip began
        else:
            shown = [u for u in times if stairs(u) == stairs(t) and abs(u - t) < 0.5]
            assert s == pytest.approx(min(shown), abs=1.1e-3)


BETWEEN = {"preset": "veryfast", "crf": "18", "bf": "3", "b-adapt": "0", "sc_threshold": "0"}


def still_scene(_: float) -> int:
    return 0


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
@pytest.mark.parametrize("rate", [60.0, 30.0])
def test_frames_in_between_are_left_out_but_no_sample(
    tmp_path: Path, rate: float, codec: str
) -> None:
    more = {"x265-params": "log-level=none:bframes=3:b-adapt=0"} if codec == "libx265" else BETWEEN
    make_clip(
        tmp_path / "a.mp4",
        steady(3.0, rate),
        stairs,
        codec=codec,
        options=more,
        scene_at=still_scene,
    )
    for threads in (1, 2):
        default, exact = (read(tmp_path / "a.mp4", exact=e, threads=threads) for e in (False, True))
        assert default.tally.decoded < 0.8 * exact.tally.decoded == pytest.approx(2.4 * rate)
        assert default.time_s == exact.time_s
        ours, theirs = default.fields["bitrate"], exact.fields["bitrate"]
        assert ours.text == theirs.text
        late = np.array(ours.since_s) - theirs.since_s
        assert np.nanmin(late) >= 0
        assert np.nanmax(late) <= 3.5 / rate
        assert default.complete == "yes"
        assert not default.remarks


def test_damage_is_seen_with_frames_left_out(tmp_path: Path) -> None:
    whole, hurt = tmp_path / "whole.mp4", tmp_path / "hurt.mp4"
    make_clip(whole, steady(5.0), stairs, options=BETWEEN | {"g": "60"}, scene_at=still_scene)
    with av.open(str(whole)) as source, av.open(str(hurt), "w") as target:
        film = source.streams.video[0]
        copy = target.add_stream_from_template(film)
        for packet in (p for p in source.demux(film) if p.size):
            # A quarter of a second before the second keyframe is missing, references among it.
            if not 1.5 <= float(packet.dts * packet.time_base) < 1.75:
                packet.stream = copy
                target.mux(packet)
    default, exact = (read(hurt, exact=e) for e in (False, True))
    assert default.tally.decoded < exact.tally.decoded
    ((begin, end),), ((first, last),) = default.tally.spoilt, exact.tally.spoilt
    assert begin == pytest.approx(first, abs=0.15)
    assert end == pytest.approx(last, abs=0.15)
    for result in (default, exact):
        sure = [c >= 0.5 for c in result.fields["bitrate"].confidence]
        assert not any(s for s, t in zip(sure, result.time_s, strict=True) if begin < t < end)
    # What was taught is asked of each sample, also where damage comes between.
    of_another_shape = clip_reading.Taught(GlyphSet("bitrate", 99.0, ()), FIELD.box)
    with_lesson = read(hurt, taught={"bitrate": of_another_shape})
    assert with_lesson.fields["bitrate"].text == default.fields["bitrate"].text
    assert with_lesson.fields["bitrate"].confidence == default.fields["bitrate"].confidence


def test_every_frame_is_decoded_where_samples_are_unsure(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(6), stairs, options=BETWEEN, scene_at=still_scene)
    unsure = GreyReader()
    read_surely = unsure.read
    unsure.read = lambda crops: [Line(line.text, 0.4) for line in read_surely(crops)]  # type: ignore[method-assign]
    counts = [read(tmp_path / "a.mp4", r).tally.decoded for r in (None, unsure)]
    assert counts[0] < 0.8 * 180
    assert counts[1] > 0.85 * 180


def test_change_found_across_stretches(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(4.0), stairs)
    small, large = GreyReader(), GreyReader()
    small.batch, large.batch = 1, 1000
    one, other = read(tmp_path / "a.mp4", small), read(tmp_path / "a.mp4", large)
    assert one.fields["bitrate"].since_s == pytest.approx(
        other.fields["bitrate"].since_s, nan_ok=True
    )
    assert one.motion == pytest.approx(other.motion, nan_ok=True)


def test_variable_rate_and_gap(tmp_path: Path) -> None:
    times = [0.0, 0.05, 0.31, 0.33, 0.5, 2.5, 2.55, 2.6, 2.95]
    make_clip(tmp_path / "a.mkv", times, stairs)
    result = read(tmp_path / "a.mkv")
    assert result.time_s == pytest.approx([0.0, 0.31, 0.5, 2.5, 2.6, 2.95], abs=1e-6)
    assert result.fields["bitrate"].text == [str(stairs(t)) for t in result.time_s]


def test_dash_and_nothing(tmp_path: Path) -> None:
    shown = [5, -1, None, 7]
    make_clip(tmp_path / "a.mp4", steady(4.0), lambda t: shown[int(t)])
    result = read(tmp_path / "a.mp4")
    texts = result.fields["bitrate"].text
    flags = [str(interpret(x, 0.99, 0.5).flag) for x in texts]
    assert flags == ["ok"] * 10 + ["no_link"] * 10 + ["hidden"] * 10 + ["ok"] * 10


def test_crops_kept_for_a_second_reader_are_spread(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(6.0), stairs)
    result = read(tmp_path / "a.mp4", keep=5)
    kept = result.fields["bitrate"].kept
    rows = [row for row, _ in kept]
    assert len(rows) == 5
    assert rows[0] == 0
    assert rows[-1] >= 48
    for row, crop in kept:
        expected = result.fields["bitrate"].text[row]
        assert GreyReader().read([crop])[0].text == expected


class Unsure(GreyReader):
    """Unsure of every crop whose patch has a dark left edge, as a glyph half covered."""

    def read(self, crops: Sequence[Crop]) -> list[Line]:
        lines = super().read(crops)
        return [
            Line("-" + line.text, 0.2) if float(c[:, :6, 0].mean()) < 25 else line
            for c, line in zip(crops, lines, strict=True)
        ]


def spoiled_stretch(values: Sequence[int], spoiled: int) -> temporal_evidence.Stretch:
    """Return frames at 30 a second, each third sampled; one of them is spoiled."""
    stretch = temporal_evidence.Stretch()
    for i, value in enumerate(values):
        crop = np.full((32, 64, 3), 40 + 4 * value, np.uint8)
        if i == spoiled:
            crop[:, :6, 0] = 20
        stretch.add(clips.Frame(i / 30, (crop,)), sampled=i % 3 == 0)
    return stretch


def rescued(values: Sequence[int], spoiled: int = 3) -> Line:
    stretch = spoiled_stretch(values, spoiled)
    crops = [f.crops[0] for f in stretch.frames]
    reader = temporal_evidence.FieldReader(Unsure(), FIELD)
    lines = reader.read([crops[s] for s in stretch.samples])
    assert lines[1].confidence == 0.2
    return temporal_evidence.rescued(stretch, crops, reader, lines)[1]


def test_doubtful_sample_is_what_surely_stood_there_before_and_after() -> None:
    assert rescued([9] * 7) == Line("9", 0.99)
    # It changed somewhere around: then nobody knows which of the two it was.
    assert rescued([8, 8, 8, 9, 9, 9, 9]).confidence == 0.2
    assert rescued([9, 9, 9, 9, 8, 8, 8]).confidence == 0.2


def test_doubtful_sample_stands_if_a_sure_frame_on_one_side_repeats_it() -> None:
    doubted, sure = Line("9", 0.6), Line("9", 0.98)
    assert looked_at([8, 9], {8: Line("8", 0.99), 9: sure}, doubted) == sure
    assert looked_at([8, 9], {8: Line("8", 0.99), 9: Line("9", 0.93)}, doubted) == doubted
    assert looked_at([8, 9], {8: Line("8", 0.99), 9: sure}, Line("9", 0.2)).confidence == 0.2
    assert looked_at([8, 9], {8: Line("8", 0.99), 9: sure}, Line("3", 0.8)).text == "3"


def test_doubtful_samples_stand_if_they_repeat_a_sure_one_without_a_break() -> None:
    def kept(*lines: tuple[str, float]) -> list[float]:
        class Gated(GreyReader):
            gate = 0.9

        reader = temporal_evidence.FieldReader(Gated(), FIELD)
        found = temporal_evidence.repeated([Line(*line) for line in lines], reader)
        assert all(one.text.startswith(lines[row][0]) for row, one in enumerate(found))
        return [one.confidence for one in found]

    assert kept(("38.4", 0.5), ("38.4 ~", 0.96), ("38.4", 0.6)) == [0.96] * 3
    assert kept(("38.4", 0.5), ("38.4", 0.93), ("38.4", 0.2)) == [0.5, 0.93, 0.2]
    assert kept(("38.4", 0.5), ("38.5", 0.5), ("38.4", 0.99)) == [0.5, 0.5, 0.99]
    assert kept(("--", 0.5), ("--", 0.91), ("", 0.4), ("", 0.92)) == [0.91, 0.91, 0.92, 0.92]
    assert kept(("", 0.92), ("~", 0.5)) == [0.92, 0.5]
    assert kept(("33", 0.98), ("-33", 0.45), ("-31", 0.45)) == [0.98, 0.45, 0.45]


def test_what_stands_and_is_nearly_sure_is_taken_where_the_clip_is_mostly_read() -> None:
    def taken(*lines: tuple[str, float], looks: Sequence[float] = (0.88,) * 20) -> list[int]:
        return plausibility.lasting(*zip(*lines, strict=True), looks, 0.9)

    nearly = [("38.4", 0.88), ("38.4 ~", 0.86), ("38.4", 0.7)]
    assert taken(*nearly) == [0, 1, 2]
    assert taken(*nearly, looks=[0.88] * 18 + [0.5] * 2) == []  # a face that is misread
    assert taken(*nearly[:2]) == []
    assert taken(*nearly[:2], ("38.5", 0.88)) == []
    assert taken(*nearly[:2], ("38.4", 0.6)) == []  # 0.78 in the mean
    assert taken(*nearly[:2], ("38.4", 0.45)) == []  # doubted
    assert taken(*nearly, ("38.4", 0.45), ("38.4", 0.97)) == [0, 1, 2]


def looked_at(around: Sequence[int], looks: dict[int, Line], doubtful: Line) -> Line:
    """Return the middle sample after rescue; `around` stands before and after it."""

    class Scripted(GreyReader):
        gate = 0.9

        def read(self, crops: Sequence[Crop]) -> list[Line]:
            return [looks[(int(c[0, 0, 0]) - 40) // 4] for c in crops]

    before, after = around
    stretch = spoiled_stretch([before] * 3 + [after] * 4, spoiled=-1)
    crops = [f.crops[0] for f in stretch.frames]
    lines = [looks[before], doubtful, looks[after]]
    reader = temporal_evidence.FieldReader(Scripted(), FIELD)
    return temporal_evidence.rescued(stretch, crops, reader, lines)[1]


def test_confidence_follows_the_share_of_the_clip_that_can_be_read() -> None:
    # Right and wrong readings whose score has normal distributions of one spread: the posterior
    # is a logistic function whose constant is the prior's log odds (Bishop, Pattern Recognition
    # and Machine Learning, 2006, section 4.2.1; from memory). Another prior, another constant.
    rng = np.random.default_rng(3)
    usual, here = 0.85, 0.6
    right = rng.random(40_000) < here
    score = rng.normal(np.where(right, 1.0, -1.0))

    def posterior(share: float) -> np.ndarray:
        return 1 / (1 + np.exp(-2 * score) * (1 - share) / share)

    first_looks = np.full(len(score), here)  # of the right mean, which the sum over clips has not
    found = np.array(plausibility.tempered(posterior(usual), first_looks, usual))
    np.testing.assert_allclose(found, posterior(here), rtol=1e-9)
    for low in np.arange(0, 1, 0.1):
        inside = (found >= low) & (found < low + 0.1)
        deviation = np.sqrt(0.25 / inside.sum())
        assert abs(found[inside].mean() - right[inside].mean()) < 4 * deviation
    # What is claimed without: far more than is right.
    assert posterior(usual).mean() > here + 0.1


def test_confidence_is_never_raised_by_the_rest_of_the_clip() -> None:
    easy = [0.99, 0.98, 0.7]
    assert plausibility.tempered(easy, easy, 0.85) == easy
    assert plausibility.tempered(easy, [0.1] * 3, 0.0) == easy  # a reader that was not calibrated
    assert plausibility.tempered([], [], 0.85) == []
    assert plausibility.tempered([0.99, 0.5], [0.0, 0.0], 0.85)[0] < 0.2


def test_a_clip_that_is_poor_throughout_is_claimed_less_of(tmp_path: Path) -> None:
    class Wavering(GreyReader):
        gate, very, poor = 0.9, 0.995, 0.3
        usual_share = 0.85

        def _line(self, level: float) -> Line:
            line = super()._line(level)
            return Line(line.text, {1: 0.92, 3: self.very}.get(int(line.text) % 5, self.poor))

    def confidences(poor: float) -> dict[str, tuple[float, float]]:
        Wavering.poor = poor
        result = read(tmp_path / "a.mp4", Wavering()).fields["bitrate"]
        columns = zip(result.confidence, result.since_s, strict=True)
        return dict(zip(result.text, columns, strict=True))

    make_clip(tmp_path / "a.mp4", steady(4.0), stairs)
    usual, hard = confidences(0.99), confidences(0.3)
    assert usual["21"][0] == 0.92 and not math.isnan(usual["21"][1])
    assert hard["21"][0] < 0.9 and math.isnan(hard["21"][1])
    assert 0.97 < hard["28"][0] < 0.995 and not math.isnan(hard["28"][1])
    # One in five would pass the gate: not surely enough where most is unreadable.
    Wavering.very = 0.99
    assert confidences(0.3)["28"][0] == 0.45


def test_a_digit_that_changes_for_a_moment_is_doubted() -> None:
    def doubted(*seen: tuple[str, float], step_s: float = 0.1) -> list[int]:
        texts, confidences = zip(*seen, strict=True)
        times = [row * step_s for row in range(len(seen))]
        return plausibility.there_and_back(times, texts, confidences)

    sure, less = 0.99, 0.95
    assert doubted(("0.0", sure), ("8.0", less), ("8.0 ~", less), ("0.0", 0.6)) == [1, 2]
    # Read surely, at length, or not back to the same: it may have been so.
    assert doubted(("0.0", sure), ("8.0", less), ("8.0", sure), ("0.0", sure)) == []
    assert doubted(("0.0", sure), ("8.0", less), ("8.0", less), ("0.0", sure), step_s=0.5) == []
    assert doubted(("0.0", sure), ("8.0", less), ("0.1", sure)) == []
    # A last digit, two digits, another length, a sign, a dash: as numbers do.
    for brief in ("0.8", "8.8", "10.0", "-0.0", "--", ""):
        assert doubted(("0.0", sure), (brief, less), ("0.0", sure)) == []
    assert doubted(("131", sure), ("181", less), ("131", sure)) == [1]
    assert doubted(("131", sure), ("138", less), ("131", sure)) == []
    # What is hardly read is no break, and nothing to go back to.
    assert doubted(("0.0", sure), ("8.0", less), ("3", 0.1), ("0.0", sure)) == [1]
    assert doubted(("0.0", sure), ("8.0", less), ("0.0", 0.1)) == []
    assert doubted(("8.0", less)) == []


def test_a_streak_that_crosses_a_number_leaves_a_gap(tmp_path: Path) -> None:
    class Crossed(GreyReader):
        gate = 0.9

        def _line(self, level: float) -> Line:
            line = super()._line(level)
            return Line(line.text, 0.94) if line.text == "30" else line

    def value(t: float) -> int:
        return 30 if 1.0 <= t < 1.3 else 20

    make_clip(tmp_path / "a.mp4", steady(3.0), value)
    found = read(tmp_path / "a.mp4", Crossed()).fields["bitrate"]
    low = [row for row, confidence in enumerate(found.confidence) if confidence < 0.9]
    assert low == [10, 11, 12] and all(math.isnan(found.since_s[row]) for row in low)
    sure = read(tmp_path / "a.mp4").fields["bitrate"]
    assert [sure.text[row] for row in low] == ["30"] * 3 and min(sure.confidence) > 0.9


def test_sides_too_far_apart_prove_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(temporal_evidence, "HOLD_LEAST_S", 0.05)
    assert rescued([9] * 7).confidence == 0.2


def averaged(texts: dict[int, tuple[str, float]]) -> Line:
    """Read a doubtful frame (grey 100) between two others; `texts` says what each grey shows.

    The means are 90 (before), 115 (after) and 103 (all); other shapes of the frame are 100.
    """

    class Scripted(GreyReader):
        gate = 0.9

        def read(self, crops: Sequence[Crop]) -> list[Line]:
            return [Line(*texts[round(float(crop[..., 0].mean()))]) for crop in crops]

    stretch = temporal_evidence.Stretch()
    crops = [np.full((20, 40, 3), grey, np.uint8) for grey in (80, 100, 130)]
    for position, crop in enumerate(crops):
        stretch.add(clips.Frame(position / 50, [crop], None), sampled=position == 1)
    reader = temporal_evidence.FieldReader(Scripted(), FIELD)
    return temporal_evidence.averaged(stretch, crops, reader, [Line(*texts[100])])[0]


def test_a_doubtful_sample_stands_if_averages_over_time_and_its_own_shapes_agree() -> None:
    sure = {100: ("9", 0.6), 90: ("9", 0.8), 103: ("9", 0.95), 115: ("9", 0.8)}
    assert averaged(sure) == Line("9", 0.95)
    assert averaged(sure | {103: ("9", 0.86)}) == Line("9", 0.9)  # it passes the gate, just
    # The average is no surer than the frame: the lettering is at fault.
    assert averaged(sure | {100: ("9", 0.84), 103: ("9", 0.86)}).confidence == 0.84
    # No average is sure.
    assert averaged(sure | {103: ("9", 0.84)}).confidence == 0.6
    # Two numbers at once, where a change lies among the frames: the frame shows another.
    assert averaged(sure | {100: ("8", 0.6), 90: ("8", 0.8), 115: ("3", 0.8)}).text == "8"
    # One view has the minus, the others do not.
    assert averaged(sure | {90: ("-9", 0.8)}).confidence == 0.6


def test_a_minus_is_doubted_where_the_field_has_none() -> None:
    class Minus(GreyReader):
        def read(self, crops: Sequence[Crop]) -> list[Line]:
            return [Line("-31 ~", 0.99), Line("31 -- ~", 0.99), Line("--", 0.99)]

    crops = [np.zeros((8, 8, 3), np.uint8)] * 3
    unsigned = Field("x", (320, 180), Box(*BOX), minimum=0.0)
    assert [
        line.confidence for line in temporal_evidence.FieldReader(Minus(), unsigned).read(crops)
    ] == [
        0.25,
        0.99,
        0.99,
    ]
    assert temporal_evidence.FieldReader(Minus(), FIELD).read(crops)[0].confidence == 0.99


def test_a_spoiled_frame_does_not_date_the_change() -> None:
    stretch = spoiled_stretch([8, 8, 9, 9, 9, 9, 9], spoiled=4)
    crops = [f.crops[0] for f in stretch.frames]
    reader = temporal_evidence.FieldReader(Unsure(), FIELD)
    search = temporal_evidence.Search(0, 6, ("8",), ("9",))
    temporal_evidence.halve(crops, reader, [search])
    assert search.upper == 2


@pytest.mark.parametrize(
    ("text", "flag", "value"),
    [
        ("38.4", Flag.OK, 38.4),
        ("38,4", Flag.OK, 38.4),
        ("38.4 ~", Flag.OK, 38.4),
        ("~ 3", Flag.OK, 3.0),
        ("-67 ~", Flag.OK, -67.0),
        ("007", Flag.OK, 7.0),
        ("", Flag.HIDDEN, None),
        ("--", Flag.NO_LINK, None),
        ("-.- ~", Flag.NO_LINK, None),
        ("---", Flag.NO_LINK, None),
        ("~", Flag.UNREADABLE, None),
        ("~ ~", Flag.UNREADABLE, None),
        ("~ --", Flag.NO_LINK, None),
        ("~8.4", Flag.UNREADABLE, None),
        ("38.4~", Flag.UNREADABLE, None),
        ("38 4", Flag.UNREADABLE, None),
        ("3 8.4", Flag.UNREADABLE, None),
        ("4:05", Flag.UNREADABLE, None),
        ("38.", Flag.UNREADABLE, None),
        ("1.2.3", Flag.UNREADABLE, None),
        ("38.4 27", Flag.UNREADABLE, None),
        ("-- 27", Flag.OK, 27.0),
    ],
)
def test_interpret_never_guesses(text: str, flag: Flag, value: float | None) -> None:
    result = interpret(text, 0.95, 0.9)
    assert result.flag == flag
    assert math.isnan(result.value) if value is None else result.value == value
    assert interpret(text, 0.89, 0.9).flag == Flag.UNREADABLE


def test_a_sign_that_the_field_does_not_have_otherwise_is_doubted() -> None:
    def odd(texts: Sequence[str]) -> list[int]:
        return plausibility.odd_signs(texts, [0.99] * len(texts), 0.9)

    level = ["-75 ~", "-74 ~", "-76 ~"] * 10
    assert odd([*level, "75 ~"]) == [30]
    assert odd([*["31"] * 30, "-31", "--", ""]) == [30]
    # A field that passes through zero, and one that is on both sides, are left alone.
    assert odd([str(v) for v in range(20, -3, -1)]) == []
    assert odd(["5", "-5"] * 10) == []
    # A third of the numbers may have lost theirs; a field that gets there step by step has not.
    assert odd(["-75", "-74", "73"] * 10) == list(range(2, 30, 3))
    assert odd([str(v) for v in (*range(-30, 20), *range(20, -30, -1))]) == []


def test_still_needs_movement_before_and_a_real_stop() -> None:
    rng = np.random.default_rng(1)
    moving = [math.nan, *rng.uniform(3, 5, 60)]
    assert not clip_reading.still(moving).any()
    frozen = [*moving, *[0.0] * 15, *rng.uniform(3, 5, 20)]
    assert clip_reading.still(frozen).tolist() == [False] * 61 + [True] * 15 + [False] * 20
    bench = [math.nan, *rng.uniform(0.0, 0.1, 80)]
    assert not clip_reading.still(bench).any()
    assert not clip_reading.still([math.nan] * 5).any()


def test_what_the_clips_own_font_speaks_against_is_set_aside_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_clip(tmp_path / "a.mp4", steady(4.0), stairs)
    told = []
    for rows in ({3}, set()):
        monkeypatch.setattr(clip_reading.Witness, "judge", lambda _, rows=rows: rows)
        result = read(tmp_path / "a.mp4")
        seen = result.fields["bitrate"]
        doubted = [row for row, c in enumerate(seen.confidence) if c < GreyReader.gate]
        assert set(doubted) == rows and all(math.isnan(seen.since_s[row]) for row in rows)
        told.append(result.remarks)
    assert told[0][0].startswith("bitrate: 1 of 40 readings were set aside") and not told[1]


def test_where_most_is_unreadable_only_what_is_read_very_surely_counts() -> None:
    texts, gate = ["1"] * 10, 0.9
    mostly = [0.2] * 6 + [0.91, 0.969, 0.97, 0.99]
    assert plausibility.barely_read(texts, mostly, gate) == [6, 7]
    assert plausibility.barely_read(texts, [*mostly[1:], 0.91], gate) == []
    # Damaged pictures say nothing of the lettering.
    assert plausibility.barely_read([""] * 6 + texts[:4], [0.0] * 6 + mostly[6:], gate) == []
