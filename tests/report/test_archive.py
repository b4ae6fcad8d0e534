"""Packs: everything but the clips comes back, and nothing is written outside."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path

import pytest
from clipmaker import overlay_toml
from report_making import made_up_session, truth_session
from typer.testing import CliRunner

from extractor.cli import app
from extractor.errors import SessionFileError, UsageError
from extractor.pipeline import compare_sessions
from extractor.report import pack
from extractor.results import load
from extractor.review import pictures
from extractor.session.folder import Session

RUNS = [(a, "U", m) for a in ("A", "B") for m in ("1", "2")]


@pytest.fixture(scope="module")
def packed(tmp_path_factory) -> tuple[Path, Path]:
    folder = truth_session(tmp_path_factory.mktemp("pack") / "club")
    (folder / "slab_m1_red.mp4").write_bytes(b"not really a video")
    (folder / ".hidden.csv").write_text("secret")
    (folder / "results" / "pictures").mkdir()
    return folder, pack.pack(Session(folder))


def test_comparison_from_the_pack_is_the_same(packed) -> None:
    folder, path = packed
    with pack.opened(path) as opened:
        again = compare_sessions([opened])
        assert opened.name == "club"
        assert Session(opened).clips == Session(folder).clips
        assert load(opened).conditions == load(folder).conditions
    first = compare_sessions([folder])
    assert again.findings == first.findings
    assert not opened.exists()


def test_readings_come_back_byte_by_byte(packed) -> None:
    folder, path = packed
    with pack.opened(path) as opened:
        mine, its = Session(folder), Session(opened)
        for clip in mine.clips:
            assert its.readings_path(clip).read_bytes() == mine.readings_path(clip).read_bytes()


def test_digests_are_sha256_of_the_clips_which_are_not_inside(packed) -> None:
    folder, path = packed
    with zipfile.ZipFile(path) as members:
        names = members.namelist()
        manifest = json.loads(members.read("pack.json"))
    entry = next(e for e in manifest["clips"] if e["clip"] == "slab_m1_red.mp4")
    content = (folder / "slab_m1_red.mp4").read_bytes()
    assert entry["sha256"] == hashlib.sha256(content).hexdigest()
    assert entry["bytes"] == len(content)
    assert not [n for n in names if n.endswith((".mp4", ".ts", ".mkv")) or "hidden" in n]


def test_a_pack_joins_a_new_round(tmp_path) -> None:
    old = made_up_session(tmp_path / "old", RUNS)
    new = made_up_session(tmp_path / "new", [*RUNS, ("C", "U", "1"), ("C", "U", "2")])
    path = pack.pack(Session(old), tmp_path / "old.zip")
    with pack.opened_all([path, new]) as folders:
        comparison = compare_sessions(folders)
    assert set(comparison.runs["session"]) == {"old", "new"}
    assert any(f.kind == "link" for f in comparison.findings)


def test_doubtful_crops_are_kept(tmp_path, session_folder, grey_reader) -> None:
    (session_folder / "overlay.toml").write_text(overlay_toml("maximum = 12.0"))
    from extractor.pipeline import read_session
    from extractor.reading.clip_job import ReadOptions

    session = Session(session_folder)
    read_session(session, ReadOptions(jobs=1))
    path = pack.pack(session, tmp_path / "p.zip")
    with pack.opened(path) as opened:
        kept = pictures.stored(opened / "results")
        assert kept
        assert all(d.picture.startswith(b"\x89PNG") for d in kept)
        settings = pack.manifest_of(opened)["clips"][0]
    assert settings["reader"] == "grey 1"
    assert settings["boxes"]["bitrate"] == [40, 20, 64, 32]


def make(path: Path, members: dict[str, bytes], **manifest: object) -> Path:
    content = {"kind": "extractor pack", "version": 1, "session": "s", "clips": []} | manifest
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("pack.json", json.dumps(content))
        for name, data in members.items():
            out.writestr(zipfile.ZipInfo(name), data)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../outside.csv",
        "session/../../outside.csv",
        "/outside.csv",
        "session//outside.csv",
        "session/.. /outside.csv",
        "session/a/../../../outside.csv",
        "C:/outside.csv",
        "session/..\\outside.csv",
        "session/x\ny.csv",
        "elsewhere/runs.csv",
        "session/run.exe",
        "session/clip.mp4",
    ],
)
def test_members_that_no_pack_holds_are_refused(tmp_path, name: str) -> None:
    path = make(tmp_path / "bad.zip", {"session/ok.csv": b"a\n", name: b"x"})
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(SessionFileError, match="not opened"), pack.opened(path):
        pass
    assert sorted(tmp_path.rglob("*")) == before
    assert not (tmp_path.parent / "outside.csv").exists()


@pytest.mark.parametrize("clip", ["../a.mp4", "/a.mp4", "runs.csv", "", "a/../../b.mp4"])
def test_names_of_clips_are_checked_too(tmp_path, clip: str) -> None:
    path = make(tmp_path / "bad.zip", {}, clips=[{"clip": clip}])
    with pytest.raises(SessionFileError), pack.opened(path):
        pass


@pytest.mark.parametrize(
    ("members", "clips"),
    [
        (["session/a.csv", "session/a.csv/b.csv"], []),
        (["session/a.csv/b.csv", "session/A.csv"], []),
        (["session/runs.csv"], ["runs.csv/b.mp4"]),
        ([], ["a.mp4", "a.mp4/b.mp4"]),
        ([f"session/{'x' * 300}.csv"], []),
        ([f"session/{'x/' * 3000}a.csv"], []),
        ([], [f"{'ü' * 150}.mp4"]),
        ([], [f"{'x/' * 3000}a.mp4"]),
        ([], ["\ud800.mp4"]),
    ],
)
def test_names_that_no_disk_can_hold_together_are_refused(tmp_path, members, clips) -> None:
    entries = [{"clip": clip} for clip in clips]
    path = make(tmp_path / "bad.zip", dict.fromkeys(members, b"x"), clips=entries)
    with pytest.raises(SessionFileError, match="not opened") as caught, pack.opened(path):
        pass
    assert str(caught.value).startswith(f"{path}: holds '")
    assert len(str(caught.value)) < 300 + len(str(path))


@pytest.mark.parametrize("where", ["members", "clips"])
def test_far_too_many_entries_are_refused_at_once(tmp_path, where: str) -> None:
    names = [f"d{i}/{i}" for i in range(20_001)]
    members = {f"session/{n}.csv": b"" for n in names} if where == "members" else {}
    clips = [{"clip": f"{n}.mp4"} for n in names] if where == "clips" else []
    path = make(tmp_path / "many.zip", members, clips=clips)
    with pytest.raises(SessionFileError, match="far larger"), pack.opened(path):
        pass


def test_a_clip_called_after_the_time_of_day_comes_back(tmp_path) -> None:
    names = ("2026-05-01 10:30:00.mp4", "sub/10:31.mp4")
    path = make(tmp_path / "p.zip", {}, clips=[{"clip": name} for name in names])
    with pack.opened(path) as folder:
        assert Session(folder).clips == names


DEEP = "[" * 100_000 + "]" * 100_000


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("overlay.toml", f"a = {DEEP}", "overlay.toml: is not valid TOML"),
        ("session.toml", f"a = {DEEP}", "session.toml: is not valid TOML"),
        ("runs.csv", "run,clip,start_s\na,a.mp4,x\n", "runs.csv: line 2, column 'start_s'"),
        ("runs.csv", ",".join(f"c{i}" for i in range(200_000)), "runs.csv: has 200000 columns"),
        ("results/summary.csv", "a,b\n1,2\n", "results/summary.csv: has no column"),
    ],
)
def test_an_error_inside_names_the_pack_and_the_entry(
    tmp_path, name: str, content: str, said: str
) -> None:
    folder = made_up_session(tmp_path / "club", RUNS)
    with zipfile.ZipFile(pack.pack(Session(folder))) as packed:
        kept = {n: packed.read(n) for n in packed.namelist() if n != "pack.json"}
    path = make(tmp_path / "p.zip", kept | {f"session/{name}": content.encode()})
    result = CliRunner().invoke(app, ["compare", str(path), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: {path}: {said}")
    assert result.stderr.count("\n") == 1


def test_a_manifest_of_brackets_is_no_pack(tmp_path) -> None:
    path = tmp_path / "deep.zip"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("pack.json", DEEP)
    with pytest.raises(SessionFileError, match="no pack"), pack.opened(path):
        pass


def test_links_twins_and_floods_are_refused(tmp_path, monkeypatch) -> None:
    link = zipfile.ZipInfo("session/link.csv")
    link.external_attr = 0o120777 << 16
    path = make(tmp_path / "link.zip", {})
    with zipfile.ZipFile(path, "a") as out:
        out.writestr(link, "../../outside")
    with pytest.raises(SessionFileError, match="not opened"), pack.opened(path):
        pass
    path = make(tmp_path / "twin.zip", {"session/Runs.csv": b"1", "session/runs.csv": b"2"})
    with pytest.raises(SessionFileError, match="not opened"), pack.opened(path):
        pass
    monkeypatch.setattr(pack, "_MOST_BYTES", 1000)
    path = make(tmp_path / "flood.zip", {"session/runs.csv": b"0" * 5000})
    with pytest.raises(SessionFileError, match="far larger"), pack.opened(path):
        pass


def test_a_lying_size_does_not_get_through(tmp_path, monkeypatch) -> None:
    path = make(tmp_path / "lie.zip", {"session/runs.csv": b"0" * 5000})
    raw = path.read_bytes()
    # The size in the index at the end says 10 bytes.
    at = raw.rindex(b"PK\x01\x02")
    at = raw.rindex(b"PK\x01\x02", 0, at) if raw[at:].find(b"runs.csv") < 0 else at
    path.write_bytes(raw[: at + 24] + (10).to_bytes(4, "little") + raw[at + 28 :])
    monkeypatch.setattr(pack, "_MOST_BYTES", 1000)
    with pytest.raises(SessionFileError), pack.opened(path):
        pass


@pytest.mark.parametrize(
    ("manifest", "word"),
    [({"kind": "other"}, "no pack"), ({"version": 99}, "version 99"), ({"clips": 3}, "damaged")],
)
def test_other_archives_say_what_they_are(tmp_path, manifest, word: str) -> None:
    path = make(tmp_path / "odd.zip", {}, **manifest)
    with pytest.raises(SessionFileError, match=word), pack.opened(path):
        pass


@pytest.mark.parametrize(
    "how", [{"frame": None}, {"boxes": ["x"]}, {"boxes": {"bitrate": 1.5}}, {"boxes": None}]
)
def test_a_manifest_of_other_kinds_than_it_should_hold_is_damage(tmp_path, how) -> None:
    path = make(tmp_path / "odd.zip", {}, clips=[{"clip": "a.mp4"} | how])
    with pytest.raises(SessionFileError, match=r"does not say how 'a.mp4' was read"):
        pack.opened(path).__enter__()


def test_half_a_surrogate_in_a_manifest_does_not_stop_the_report(tmp_path) -> None:
    path = make(tmp_path / "odd.zip", {}, clips=[{"clip": "a.mp4", "reader": "x\ud800"}])
    with pack.opened(path) as folder:
        assert pack.manifest_of(folder)["clips"][0]["reader"] == "x?"


def test_damage_is_told(tmp_path, packed) -> None:
    raw = bytearray(packed[1].read_bytes())
    raw[2000:4000] = bytes(2000)
    path = tmp_path / "damaged.zip"
    path.write_bytes(raw)
    with pytest.raises(SessionFileError), pack.opened(path):
        pass
    path.write_bytes(packed[1].read_bytes()[:-200])
    with pytest.raises(SessionFileError, match=r"is damaged .* copy it again"), pack.opened(path):
        pass


def test_folders_and_tables_pass_through(tmp_path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("antenna,value\nA,1\n")
    for path in (tmp_path, table):
        with pack.opened(path) as same:
            assert same == path
    with pytest.raises(UsageError, match="not there"), pack.opened(tmp_path / "none"):
        pass


def test_session_that_was_not_read(tmp_path) -> None:
    (tmp_path / "a.mp4").touch()
    with pytest.raises(UsageError, match="read the clips first"):
        pack.pack(Session(tmp_path))
