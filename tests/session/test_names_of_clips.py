"""Clips with names that make trouble: not UTF-8, read in another locale, with escape sequences."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from clipmaker import make_clip, overlay_toml, stairs, steady

from extractor import pipeline
from extractor.cli import app
from extractor.commands.screen import printable
from extractor.page.service import Desk
from extractor.page.session_view import overview
from extractor.reading.clip_job import ReadOptions
from extractor.report import pack
from extractor.report.html_report import write_report
from extractor.results import load
from extractor.session.folder import Session

ONE = ReadOptions(jobs=1, crosscheck=0)
ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.skipif(
    sys.platform in ("win32", "darwin"), reason="names are Unicode there"
)


@pytest.fixture
def old_archive(tmp_path: Path) -> Session:
    """A session with one good clip and one named in an old code page."""
    make_clip(tmp_path / "a.mp4", steady(2.0), stairs)
    make_clip(tmp_path / "b.mp4", steady(2.0), lambda t: stairs(t) // 2)
    (tmp_path / "b.mp4").rename(tmp_path / os.fsdecode(b"F\xe4cher.mp4"))
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    return Session(tmp_path)


def test_a_name_that_is_not_utf8_stops_nothing(old_archive, grey_reader):
    assert old_archive.clips == ("F%E4cher.mp4", "a.mp4")
    report = pipeline.read_session(old_archive, ONE)
    assert not report.failed
    assert [row["run"] for row in report.rows] == ["F%E4cher", "a"]
    assert any("F%E4cher.mp4: the file's name is no plain text" in w for w in report.warnings)
    again = pipeline.read_session(Session(old_archive.root), ONE)
    assert {c.outcome for c in again.clips} == {"kept"}
    (old_archive.root / "runs.csv").write_text(
        "run,clip,antenna\n1,F%E4cher.mp4,Fan\n2,a.mp4,Coil\n"
    )
    pipeline.summarise_session(Session(old_archive.root))
    write_report([old_archive.root])
    packed = pack.pack(Session(old_archive.root), old_archive.root / "all.zip")
    with pack.opened(packed) as folder:
        assert Session(folder).clips == old_archive.clips
    desk = Desk(old_archive.root)
    assert [c["clip"] for c in overview(desk)["clips"]] == list(old_archive.clips)


def test_a_damaged_clip_of_such_a_name_fails_alone(old_archive, grey_reader):
    (old_archive.root / os.fsdecode(b"F\xe4cher.mp4")).write_bytes(b"no video at all")
    report = pipeline.read_session(old_archive, ONE)
    assert [(c.clip, c.outcome) for c in report.clips] == [
        ("F%E4cher.mp4", "failed"),
        ("a.mp4", "read"),
    ]
    assert report.failed[0].message.startswith("F%E4cher.mp4: is not a video")


def test_a_session_in_a_folder_of_such_a_name(old_archive, grey_reader, tmp_path_factory):
    root = old_archive.root.rename(tmp_path_factory.mktemp("more") / os.fsdecode(b"\xfcbung"))
    pipeline.read_session(Session(root), ONE)
    assert load(root).name == "%FCbung"


def test_an_8_bit_locale_finds_the_clip_of_an_umlaut(tmp_path):
    make_clip(tmp_path / "Fächer.mp4", steady(1.0), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    (tmp_path / "runs.csv").write_text("run,clip,antenna\nü,Fächer.mp4,Fächer\n", "utf-8")
    old = os.environ | {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}
    done = subprocess.run(
        [sys.executable, "-m", "extractor", "read", str(tmp_path), "--crosscheck", "0"],
        env=old, cwd=ROOT, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode("utf-8", "replace")
    assert b"not in the folder" not in done.stderr
    assert "ü,Fächer.mp4," in (tmp_path / "results" / "summary.csv").read_text("utf-8")


def test_a_locale_of_one_byte_a_letter(tmp_path):
    """Where such a locale can be made: output in its own letters, files by their UTF-8 names."""
    made = subprocess.run(
        ["localedef", "-i", "de_DE", "-f", "ISO-8859-1", str(tmp_path / "de_DE.ISO-8859-1")],
        capture_output=True,
    ) if shutil.which("localedef") else None  # fmt: skip
    env = os.environ | {"LC_ALL": "de_DE.ISO-8859-1", "LOCPATH": str(tmp_path)}
    ask = "from locale import *; setlocale(LC_ALL, ''); print(nl_langinfo(CODESET))"
    said = made and subprocess.run([sys.executable, "-c", ask], env=env, capture_output=True)
    if not said or said.stdout.strip() != b"ISO-8859-1":
        pytest.skip("no such locale can be made here")
    folder = tmp_path / "club"
    folder.mkdir()
    make_clip(folder / "Fächer.mp4", steady(1.0), stairs)
    (folder / "overlay.toml").write_text(overlay_toml())
    (folder / "runs.csv").write_text("run,clip,antenna\nü,Fächer.mp4,Fächer\n", "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "extractor", "read", str(folder), "--crosscheck", "0"],
        env=os.environ | {"LC_ALL": "de_DE.ISO-8859-1", "LOCPATH": str(tmp_path)},
        cwd=ROOT, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert b"not in the folder" not in done.stderr
    assert "ü".encode("latin-1") in done.stdout
    assert (folder / "results" / "readings" / "Fächer.csv").exists()


def test_output_that_can_take_ascii_alone(tmp_path):
    make_clip(tmp_path / "Fächer.mp4", steady(1.0), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    done = subprocess.run(
        [sys.executable, "-m", "extractor", "quick", str(tmp_path)],
        env=os.environ | {"PYTHONIOENCODING": "ascii"}, cwd=ROOT, capture_output=True,
    )  # fmt: skip
    assert b"Traceback" not in done.stderr
    assert b"F?cher" in done.stdout


def test_the_name_as_python_sees_it_in_an_8_bit_locale(tmp_path):
    code = (
        "import sys; from pathlib import Path; from extractor.session.folder import Session; "
        "print(ascii(Session(Path(sys.argv[1])).clips))"
    )
    (tmp_path / "Fächer.mp4").touch()
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)],
        env=os.environ | {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout.strip() == ascii(("Fächer.mp4",))


ESCAPE = "\x1b[2Jx\x07\x9b1m\u202e"
SPELLED = "%1B[2Jx%07%C2%9B1m\u202e"


def test_what_steers_a_terminal_is_not_printed(tmp_path, grey_reader, capfd):
    make_clip(tmp_path / f"a{ESCAPE}.mp4", steady(1.0), stairs)
    make_clip(tmp_path / "b.mp4", steady(1.0), lambda t: stairs(t) // 2)
    (tmp_path / f"c{ESCAPE}.mp4").write_bytes(b"no video")
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    (tmp_path / "runs.csv").write_text(
        f"run,clip,antenna\nr{ESCAPE},a{SPELLED}.mp4,F{ESCAPE}n\ns,b.mp4,Coil\n"
        f"t,gone{ESCAPE}.mp4,Coil\n",
        "utf-8",
    )
    codes = [
        app([*arguments, str(tmp_path)], standalone_mode=False)
        for arguments in (
            ["read", "--crosscheck", "0", "--jobs", "1"], ["quick", "--jobs", "1"], ["compare"],
            ["report"], ["mark", "--list"], ["pack"],
        )
    ]  # fmt: skip
    assert codes == [3, 3, None, None, None, None]
    out, err = capfd.readouterr()
    assert "F\ufffd[2Jx\ufffd\ufffd1m\ufffdn" in out
    assert "gone\ufffd[2J" in err and "error: c%1B[2Jx" in err
    assert not set("\x1b\x07\x9b\u202e") & set(out + err)


def test_printable_keeps_what_is_read():
    assert printable("Fächer 36.2 → 電波") == "Fächer 36.2 → 電波"
    assert printable("a\tb\u00a0c\nd") == "a b c d"
    assert printable("a\nb\r\x1b", "\n") == "a\nb \ufffd"
    assert printable("F\udce4cher") == "F\ufffdcher"
