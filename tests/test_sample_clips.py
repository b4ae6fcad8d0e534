"""The sample session: whole, as small as promised, and with the planted truth in it.

The means, spreads and shares are worked out here from the truth files alone, without the
package. Frame times are those that PyAV reports for the clips.
"""

from __future__ import annotations

import csv
import itertools
import subprocess
import sys
import tomllib
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from statistics import mean, variance

import av
import numpy as np
import pytest

SESSION = Path(__file__).resolve().parent.parent / "sample_clips"
TABLES = ("overlay.toml", "session.toml", "runs.csv", "antennas.csv")
RUN_COLUMNS = "run,clip,start_s,end_s,antenna,port,others,mounting,position,repeat,order,notes"
SUFFIXES = {".mp4", ".mkv", ".ts"}
CLIPS = sorted(p for p in SESSION.iterdir() if p.suffix in SUFFIXES)
CUT_CLIP = "fan_m1_green"
ONE_FRAME_S = 0.041


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def truth(stem: str) -> list[dict[str, str]]:
    return rows(SESSION / "truth" / f"{stem}.csv")


def is_number(text: str) -> bool:
    return text not in ("", "--")


def packet_times_s(path: Path) -> np.ndarray:
    """Frame times of a clip from its packets, first frame = 0; the cut frame left out."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stamps = [p.pts for p in container.demux(stream) if p.size and not p.is_corrupt]
        times = np.sort(np.array(stamps, dtype=float)) * float(stream.time_base)
    return times - times[0]


def weighted(stem: str, column: str) -> tuple[np.ndarray, np.ndarray]:
    """Values shown and for how long, where a number is shown."""
    shown = [row for row in truth(stem) if is_number(row[column])]
    lengths = [float(row["end_s"]) - float(row["start_s"]) for row in shown]
    return np.array([float(row[column]) for row in shown]), np.array(lengths)


def clip_means(column: str) -> dict[tuple[str, str, str], float]:
    """Mean of each run by antenna, mounting and port."""
    means = {}
    for row in rows(SESSION / "runs.csv"):
        values, lengths = weighted(Path(row["clip"]).stem, column)
        key = (row["antenna"], row["mounting"], row["port"])
        means[key] = float(np.average(values, weights=lengths))
    return means


def grouped(means: dict, parts: slice) -> dict[tuple, list[float]]:
    groups = defaultdict(list)
    for key, value in means.items():
        groups[key[parts]].append(value)
    return groups


def pooled_sd(groups: dict[tuple, list[float]]) -> float:
    return mean(variance(values) for values in groups.values()) ** 0.5


def mounting_means(column: str) -> dict[tuple, float]:
    return {key: mean(values) for key, values in grouped(clip_means(column), slice(2)).items()}


def test_sixteen_clips_in_at_most_seven_megabytes() -> None:
    assert len(CLIPS) == 16
    assert sum(path.stat().st_size for path in CLIPS) <= 7_000_000


def test_runs_name_exactly_the_clips_and_are_balanced() -> None:
    table = rows(SESSION / "runs.csv")
    assert ",".join(table[0]) == RUN_COLUMNS
    assert sorted(row["clip"] for row in table) == [path.name for path in CLIPS]
    assert [int(row["order"]) for row in table] == list(range(1, 17))
    design = {(row["antenna"], row["mounting"], row["port"]) for row in table}
    assert len(design) == 16
    first_half = {(row["antenna"], row["mounting"]) for row in table[:8]}
    assert first_half == {(name, "1") for name in ("Slab", "Coil", "Fan", "Stub")}
    firsts = [row["port"] for row in table[::2]]
    assert firsts.count("Red") == firsts.count("Green") == 4


def test_session_names_a_transmitter_antenna_that_is_described() -> None:
    session = tomllib.loads((SESSION / "session.toml").read_text(encoding="utf-8"))
    described = {row["antenna"] for row in rows(SESSION / "antennas.csv")}
    used = {row["antenna"] for row in rows(SESSION / "runs.csv")}
    assert used | {session["transmitter_antenna"]} == described


@pytest.mark.parametrize("path", CLIPS, ids=lambda path: path.stem)
def test_truth_is_well_formed_and_follows_the_frames(path: Path) -> None:
    table, times = truth(path.stem), packet_times_s(path)
    assert list(table[0]) == ["start_s", "end_s", "bitrate", "latency"]
    starts = np.array([float(row["start_s"]) for row in table])
    ends = np.array([float(row["end_s"]) for row in table])
    assert starts[0] == 0
    np.testing.assert_array_equal(starts[1:], ends[:-1])
    nearest = np.abs(starts[:, None] - times[None, :]).min(axis=1)
    assert nearest.max() < 2e-6
    assert 0 < ends[-1] - times[-1] < ONE_FRAME_S
    for before, after in itertools.pairwise(table):
        assert (before["bitrate"], before["latency"]) != (after["bitrate"], after["latency"])
    for row in table:
        assert is_number(row["bitrate"]) == is_number(row["latency"])
        if is_number(row["bitrate"]):
            assert row["bitrate"] == f"{float(row['bitrate']):.1f}"
            assert row["latency"] == f"{int(row['latency'])}"


def test_the_cut_clip_decodes_to_the_end_of_its_truth() -> None:
    with av.open(str(SESSION / f"{CUT_CLIP}.mp4")) as container:
        declared_s = container.duration / av.time_base
        stream = container.streams.video[0]
        last_s = 0.0
        with pytest.raises(av.error.InvalidDataError):
            for frame in container.decode(stream):
                last_s = frame.time
    end_s = float(truth(CUT_CLIP)[-1]["end_s"])
    assert 0 < end_s - last_s < ONE_FRAME_S
    assert declared_s > end_s + 2


def test_frame_rates_and_containers_differ() -> None:
    gaps = {path.stem: np.diff(packet_times_s(path)) for path in CLIPS}
    rates = {stem: round(1 / np.median(gap)) for stem, gap in gaps.items()}
    assert sorted(rates.values()) == [25, *[30] * 14, 50]
    assert sum(np.ptp(gap) > 0.01 for gap in gaps.values()) == 1
    assert {path.suffix for path in CLIPS} == SUFFIXES
    late, codecs = [], set()
    for path in CLIPS:
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            assert (stream.width, stream.height) == (1600, 900)
            codecs.add(stream.codec_context.name)
            first = next(p for p in container.demux(stream) if p.size)
            if path.suffix == ".mp4" and float(first.pts * stream.time_base) > 1:
                late.append(path.stem)
    assert codecs == {"h264", "hevc"}
    assert late == ["stub_m1_green"]


def test_slab_leads_by_six_times_the_mounting_spread_and_stub_is_last() -> None:
    spots = grouped(mounting_means("bitrate"), slice(1))
    spread = pooled_sd(spots)
    means = {name: mean(values) for (name,), values in spots.items()}
    order = sorted(means, key=means.__getitem__, reverse=True)
    assert order[0] == "Slab"
    assert order[-1] == "Stub"
    assert means[order[0]] - means[order[1]] >= 6 * spread
    assert abs(means["Coil"] - means["Fan"]) < spread / 2
    assert means[order[2]] - means["Stub"] > 4 * spread
    assert means["Slab"] < 40


def test_green_reads_more_and_mountings_differ_more_than_clips() -> None:
    means = clip_means("bitrate")
    ports = {port: mean(v for k, v in means.items() if k[2] == port) for port in ("Red", "Green")}
    assert ports["Green"] - ports["Red"] == pytest.approx(0.8, abs=0.05)
    level = {key: value - ports[key[2]] for key, value in means.items()}
    clip_spread = pooled_sd(grouped(level, slice(2)))
    mounting_spread = pooled_sd(grouped(mounting_means("bitrate"), slice(1)))
    assert mounting_spread > 2.5 * clip_spread


def test_slab_touches_the_ceiling_in_some_clips_and_nothing_exceeds_it() -> None:
    shares = {}
    for path in CLIPS:
        values, lengths = weighted(path.stem, "bitrate")
        assert values.max() <= 40.0
        shares[path.stem] = lengths[values >= 39.8].sum() / lengths.sum()
    assert sum(share > 0.1 for share in shares.values()) == 3
    assert shares["slab_m1_green"] > 0.2
    assert all(stem.startswith("slab") for stem, share in shares.items() if share > 0)


def test_dropouts_dash_and_vanished_overlay() -> None:
    out = {}
    for path in CLIPS:
        table = truth(path.stem)
        low = [r for r in table if is_number(r["bitrate"]) and float(r["bitrate"]) < 4]
        out[path.stem] = sum(float(r["end_s"]) - float(r["start_s"]) for r in low)
        marks = {r["bitrate"] for r in table if not is_number(r["bitrate"])}
        expected = {"stub_m2_green": {"--"}, "coil_m2_red": {""}}
        assert marks == expected.get(path.stem, set())
    assert {stem for stem, seconds in out.items() if seconds > 0} == {
        "stub_m2_red",
        "stub_m2_green",
    }
    assert all(0.5 < seconds < 1.6 for seconds in out.values() if seconds > 0)


def test_latency_grows_as_the_bitrate_falls() -> None:
    for path in CLIPS:
        shown = [row for row in truth(path.stem) if is_number(row["bitrate"])]
        pairs = np.array([(float(row["bitrate"]), float(row["latency"])) for row in shown])
        assert np.corrcoef(pairs.T)[0, 1] < -0.2


def test_make_writes_the_committed_tables_and_truth(tmp_path: Path) -> None:
    command = [sys.executable, str(SESSION / "make.py"), "--out", str(tmp_path), "--no-video"]
    subprocess.run(command, check=True, capture_output=True)
    for name in (*TABLES, *(f"truth/{path.stem}.csv" for path in CLIPS)):
        assert (tmp_path / name).read_bytes() == (SESSION / name).read_bytes(), name


def test_make_refuses_an_unknown_stem(tmp_path: Path) -> None:
    command = [sys.executable, str(SESSION / "make.py"), "--out", str(tmp_path), "--only", "slob"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "slab_m1_red" in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.fixture
def making(monkeypatch: pytest.MonkeyPatch):
    """Return the modules that draw the session."""
    monkeypatch.syspath_prepend(str(SESSION))
    from making import encoding, look, plan, scenery, series

    yield {m.__name__.split(".")[1]: m for m in (encoding, look, plan, scenery, series)}
    for name in [name for name in sys.modules if name.split(".")[0] == "making"]:
        del sys.modules[name]


def test_make_draws_the_pictures_that_the_clip_holds(making) -> None:
    clip = next(c for c in making["plan"].CLIPS if c.stem == "coil_m1_red")
    shown = making["series"].shown_frames(clip)
    with av.open(str(SESSION / clip.file_name)) as container:
        decoded = itertools.islice(container.decode(video=0), 12)
        drawn = making["scenery"].frames(clip)
        for frame, picture, text in zip(decoded, drawn, shown, strict=False):
            making["look"].stamp(picture, text, clip.backing)
            seen = frame.to_ndarray(format="rgb24", src_colorspace="ITU709")
            top = np.s_[8:124, 640:960]
            assert np.abs(seen.astype(int) - picture).mean() < 5
            assert np.abs(seen[top].astype(int) - picture[top]).mean() < 8


def test_a_new_file_has_the_planned_times_and_cut(making, tmp_path: Path) -> None:
    clips = {c.stem: c for c in making["plan"].CLIPS}
    for stem, keep in ((CUT_CLIP, 4), ("fan_m2_red", None), ("coil_m2_green", None)):
        # A file written in fragments without an index starts at 0 whatever it is given.
        first_s = 0.0 if keep else 1.5
        clip = replace(clips[stem], seconds=0.3, keep_frames=keep, first_s=first_s)
        count = len(making["series"].frame_times(clip))
        still = [np.full((900, 1600, 3), 20 * n, np.uint8) for n in range(count)]
        path = tmp_path / clip.file_name
        making["encoding"].write_clip(clip, still, path)
        expected = making["series"].file_times_s(clip)[:keep]
        np.testing.assert_allclose(packet_times_s(path)[: len(expected)], expected, atol=1e-9)
        with av.open(str(path)) as container:
            assert next(container.decode(video=0)).time == pytest.approx(first_s, abs=0.002)


@pytest.mark.parametrize("backing", ["box", "outline", "shadow"])
def test_digits_lie_inside_the_marked_boxes_at_both_ends_of_the_promised_size(
    making, backing: str
) -> None:
    shown, overlay = making["series"].Shown, making["look"].overlay
    x0, y0, *_ = making["look"].AREA
    fields = tomllib.loads((SESSION / "overlay.toml").read_text(encoding="utf-8"))["field"]
    boxes = {field["name"]: field["box"] for field in fields}
    for name, texts, high in (("bitrate", ("40.0", "38.8"), 38), ("latency", ("27", "128"), 24)):
        for text in texts:
            blank = {"bitrate": " ", "latency": " "}
            changed = overlay(shown(**{**blank, name: text}), backing)[0]
            changed = np.abs(changed - overlay(shown(**blank), backing)[0]).max(axis=2)
            rows_, columns = np.nonzero(changed > 120)
            x, y, width, height = boxes[name]
            assert x <= columns.min() + x0 and columns.max() + x0 < x + width
            assert y <= rows_.min() + y0 and rows_.max() + y0 < y + height
            assert np.ptp(rows_) + 1 == pytest.approx(high, abs=2)
