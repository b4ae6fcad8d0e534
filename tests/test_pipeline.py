"""From a folder of clips to tables: what is written, what is remembered, what a failure costs."""

from __future__ import annotations

import csv
import errno
import os
import shutil
from pathlib import Path

import pytest
from clipmaker import GreyReader, make_broken, make_clip, overlay_toml, stairs, steady

from extractor import pipeline
from extractor.errors import ClipError, OverlayError, StorageError
from extractor.reading.clip_job import ReadOptions
from extractor.reading.session_clips import ClipReport, SessionReport, Silent
from extractor.results import summary_columns
from extractor.session.folder import Session

OPTIONS = ReadOptions(jobs=1, crosscheck=0)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def read(folder: Path, options: ReadOptions = OPTIONS, **more: object) -> SessionReport:
    return pipeline.read_session(Session(folder), options, **more)


def test_readings_and_summary(session_folder: Path, grey_reader: GreyReader) -> None:
    report = read(session_folder)
    assert [(c.clip, c.outcome, c.complete) for c in report.clips] == [
        ("a.mp4", "read", "yes"),
        ("b.mkv", "read", "yes"),
    ]
    readings = rows_of(session_folder / "results/readings/a.csv")
    assert list(readings[0]) == [
        "time_s",
        *("bitrate", "bitrate_text", "bitrate_since_s", "bitrate_confidence", "bitrate_flag"),
    ]
    assert [float(r["bitrate"]) for r in readings] == [stairs(i / 10) for i in range(20)]
    assert {r["bitrate_flag"] for r in readings} == {"ok"}
    summary = rows_of(session_folder / "results/summary.csv")
    assert list(summary[0]) == summary_columns()
    assert [r["run"] for r in summary] == ["a", "b"]
    assert float(summary[0]["mean"]) == pytest.approx(14.0)
    assert (summary[0]["n"], summary[0]["incomplete"], summary[0]["antenna"]) == ("20", "no", "")


def test_what_did_not_change_is_not_read_again(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    read(session_folder)
    # Files: a folder changes when a lock comes and goes.
    before = {
        p: p.stat().st_mtime_ns for p in (session_folder / "results").rglob("*.*") if p.is_file()
    }
    count = grey_reader.read_count
    report = read(session_folder)
    assert [c.outcome for c in report.clips] == ["kept", "kept"]
    assert grey_reader.read_count == count
    assert {p: p.stat().st_mtime_ns for p in before} == before
    assert len(report.rows) == 2
    # A touched clip, another rate, and --again are read; the other clip is not.
    os.utime(session_folder / "a.mp4", (1, 1))
    assert sorted((c.clip, c.outcome) for c in read(session_folder).clips) == [
        ("a.mp4", "read"),
        ("b.mkv", "kept"),
    ]
    again = ReadOptions(jobs=1, crosscheck=0, again=True)
    assert {c.outcome for c in read(session_folder, again).clips} == {"read"}
    exact = ReadOptions(jobs=1, crosscheck=0, exact=True)
    assert {c.outcome for c in read(session_folder, exact).clips} == {"read"}
    assert {c.outcome for c in read(session_folder, exact).clips} == {"kept"}
    other = ReadOptions(jobs=1, crosscheck=0, rate_hz=5.0)
    assert {c.outcome for c in read(session_folder, other).clips} == {"read"}
    assert len(rows_of(session_folder / "results/readings/a.csv")) == 10


def test_limits_and_corrections_never_decode(
    session_folder: Path, grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    read(session_folder)
    count = grey_reader.read_count
    (session_folder / "overlay.toml").write_text(overlay_toml("ceiling = 28.0\nmaximum = 39.0"))
    (session_folder / "corrections.csv").write_text(
        "clip,time_s,field,value\na.mp4,0.11,bitrate,3.5\na.mp4,0.2,bitrate,\n"
        "a.mp4,0.3,bitrate,--\na.mp4,0.4,bitrate,hidden\na.mp4,77,bitrate,1\n"
        "a.mp4,0.5,delay,1\nc.mp4,0.5,bitrate,1\n"
    )
    report = read(session_folder)
    assert grey_reader.read_count == count
    readings = rows_of(session_folder / "results/readings/a.csv")
    assert [(r["bitrate"], r["bitrate_flag"]) for r in readings[:6]] == [
        ("0", "ok"),
        ("3.5", "corrected"),
        ("", "unreadable"),
        ("", "no_link"),
        ("", "hidden"),
        ("7", "ok"),
    ]
    assert readings[1]["bitrate_text"] == "0"
    assert readings[1]["bitrate_confidence"] == "1"
    said = " | ".join(report.warnings)
    assert "a.mp4 has no reading of bitrate near 77 s" in said
    assert "a.mp4 has no reading of delay near 0.5 s" in said
    assert "corrections.csv names c.mp4" in said
    row = rows_of(session_folder / "results/summary.csv")[0]
    assert (row["n_corrected"], row["n_no_link"], row["ceiling"]) == ("1", "1", "28")
    # Said again on the next run, when nothing is done anew.
    assert read(session_folder).warnings == report.warnings


def test_bad_clips_do_not_stop_the_others(session_folder: Path, grey_reader: GreyReader) -> None:
    said = make_broken(session_folder)
    make_clip(session_folder / "odd.mp4", steady(0.5), stairs, size=(320, 240))
    report = read(session_folder)
    done = {c.clip for c in report.clips if c.outcome == "read"}
    assert done == {"a.mp4", "b.mkv"}
    messages = {c.clip: c.message for c in report.failed}
    assert set(messages) == {*said, "odd.mp4"}
    for name, part in said.items():
        assert part in messages[name]
        assert name in messages[name]
    assert "another shape" in messages["odd.mp4"]
    assert [r["run"] for r in report.rows] == ["a", "b"]


def test_a_clip_gone_bad_takes_its_old_readings_away(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    read(session_folder)
    (session_folder / "a.mp4").write_bytes(b"")
    report = read(session_folder)
    assert [c.clip for c in report.failed] == ["a.mp4"]
    assert not (session_folder / "results/readings/a.csv").exists()
    assert [r["run"] for r in rows_of(session_folder / "results/summary.csv")] == ["b"]


def test_odd_names(tmp_path: Path, grey_reader: GreyReader) -> None:
    make_clip(tmp_path / "x.mp4", steady(0.5), stairs)
    names = [
        "with space.mp4",
        'quo"te.mp4',
        "com,ma.mp4",
        "new\nline.mp4",
        "übergröße 雨.mp4",
        "=1.mp4",
    ]
    for name in names:
        shutil.copy(tmp_path / "x.mp4", tmp_path / name)
    (tmp_path / "x.mp4").unlink()
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    report = read(tmp_path)
    assert not report.failed
    assert len(list((tmp_path / "results/readings").iterdir())) == len(names)
    from extractor.session.csv_tables import read_table

    back = read_table(tmp_path / "results/summary.csv")
    # A name with a line end in it would break tables apart that are edited by hand.
    assert sorted(r["clip"] for r in back.rows) == sorted(n.replace("\n", "%0A") for n in names)


def test_runs_cut_join_and_warn(session_folder: Path, grey_reader: GreyReader) -> None:
    (session_folder / "runs.csv").write_text(
        "run,clip,start_s,end_s,antenna,port\n"
        "first,a.mp4,0,0.8,Fan,Red\n"
        'both,"a.mp4;b.mkv",1.6,2.8,Coil,Green\n'
        "gone,c.mp4,,,Slab,Red\n"
    )
    report = read(session_folder)
    first, both = report.rows
    assert (first["run"], first["antenna"], first["port"]) == ("first", "Fan", "Red")
    assert first["mean"] == pytest.approx(3.5)
    # 1.6 to 2.0 s of a shows 28; then b's first 0.8 s show 0 and 3.
    assert both["mean"] == pytest.approx((28 + 0 + 3) / 3)
    assert both["clip"] == "a.mp4;b.mkv"
    assert report.warnings == ["runs.csv names c.mp4, which is not in the folder"]


def test_only_some_clips(session_folder: Path, grey_reader: GreyReader) -> None:
    read(session_folder, only=["a.mp4"])
    assert not (session_folder / "results/readings/b.csv").exists()
    report = read(session_folder, only=["b.mkv"])
    assert [r["run"] for r in report.rows] == ["a", "b"]


def test_quick_writes_nothing(session_folder: Path, grey_reader: GreyReader) -> None:
    report = pipeline.read_session(Session(session_folder), ReadOptions(jobs=1, quick=True))
    assert [r["run"] for r in report.rows] == ["a", "b"]
    assert 0 < report.rows[0]["n"] < 20
    assert not (session_folder / "results/readings").exists()
    assert not (session_folder / "results/summary.csv").exists()
    assert pipeline.quick_verdicts(report.rows) == ["bitrate: readable in all 2 clips"]


def test_killed_run_goes_on_where_it_stopped(
    session_folder: Path, grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(BaseException):
        pass

    class Stopper(Silent):
        def ended(self, report: ClipReport) -> None:
            raise Killed

    with pytest.raises(Killed):
        read(session_folder, watcher=Stopper())
    assert (session_folder / "results/readings/a.csv").exists()
    assert not (session_folder / "results/readings/b.csv").exists()
    assert [(c.clip, c.outcome) for c in read(session_folder).clips] == [
        ("a.mp4", "kept"),
        ("b.mkv", "read"),
    ]


def test_full_disk_stops_with_one_error_and_keeps_the_old(
    session_folder: Path, grey_reader: GreyReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    read(session_folder)
    old = (session_folder / "results/summary.csv").read_bytes()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="No space left"):
        read(session_folder, ReadOptions(jobs=1, crosscheck=0, again=True))
    assert (session_folder / "results/summary.csv").read_bytes() == old


def test_a_frozen_picture_is_flagged_and_a_still_scene_is_not(
    tmp_path: Path, grey_reader: GreyReader
) -> None:
    def stuck(t: float) -> float:
        return min(t, 2.0) if t < 4.0 else t

    make_clip(
        tmp_path / "frozen.mp4",
        steady(6.0),
        lambda t: stairs(stuck(t)),
        scene_at=lambda t: int(stuck(t) * 37),
    )
    make_clip(tmp_path / "bench.mp4", steady(6.0), lambda t: stairs(stuck(t)), scene_at=lambda t: 0)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    frozen_row = next(r for r in read(tmp_path).rows if r["run"] == "frozen")
    rows = rows_of(tmp_path / "results/readings/frozen.csv")
    flagged = [float(r["time_s"]) for r in rows if r["bitrate_flag"] == "frozen"]
    assert 17 <= len(flagged) <= 20
    assert min(flagged) >= 2.0
    assert max(flagged) < 4.05
    assert frozen_row["n_frozen"] == len(flagged)
    bench = rows_of(tmp_path / "results/readings/bench.csv")
    assert {r["bitrate_flag"] for r in bench} == {"ok"}


def test_a_quick_look_needs_no_folder_that_can_be_written(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    (session_folder / "results").write_text("a file in its place: nothing can be made below it")
    report = pipeline.read_session(Session(session_folder), ReadOptions(jobs=1, quick=True))
    assert [c.outcome for c in report.clips] == ["read", "read"]


def test_nothing_marked(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", steady(0.2), stairs)
    with pytest.raises(OverlayError, match="mark the number first"):
        read(tmp_path)


@pytest.mark.slow
def test_worker_processes_and_a_worker_that_dies(tmp_path: Path) -> None:
    """Real processes: the work function must be importable, so it is one of this module."""
    from extractor.reading import process_pool

    jobs = [_Job(name) for name in ("a", "kill", "b", "fail", "c")]
    heard: list[str] = []
    outcomes = list(process_pool.run(jobs, _work, 2, lambda clip, s: heard.append(clip)))
    done = {job.clip: result for job, result, _ in outcomes if result}
    failed = {job.clip: str(error) for job, _, error in outcomes if error}
    assert done == {"a": "A", "b": "B", "c": "C"}
    assert failed["fail"] == "fail: no good"
    assert "worker process died" in failed["kill"]
    assert "a" in heard


class _Job:
    def __init__(self, clip: str) -> None:
        self.clip = clip


def _work(job: _Job, progress: object) -> str:
    assert callable(progress)
    progress(job.clip, 1.0)
    if job.clip == "kill":
        os._exit(9)
    if job.clip == "fail":
        raise ClipError("fail: no good")
    return job.clip.upper()


def test_clips_may_be_called_as_the_tools_own_files(
    tmp_path: Path, grey_reader: GreyReader
) -> None:
    for name in ("tables", "summary", "tight", "lock"):
        make_clip(tmp_path / f"{name}.mp4", steady(0.5), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    assert len(read(tmp_path).rows) == 4
    assert {c.outcome for c in read(tmp_path).clips} == {"kept"}
