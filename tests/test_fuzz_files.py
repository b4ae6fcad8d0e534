"""Files that users edit, mutated at random: a clear error or a right answer, never a traceback."""

from __future__ import annotations

import tempfile
from pathlib import Path

from clipmaker import overlay_toml
from hypothesis import given, settings
from hypothesis import strategies as st

from extractor.errors import ExtractorError
from extractor.session import overlay_file
from extractor.session.csv_tables import parse_table
from extractor.session.folder import Session
from extractor.session.user_tables import parse_corrections, parse_runs

RUNS = (
    "run,clip,start_s,end_s,antenna,port,others,mounting,position,repeat,order,notes\n"
    'one,"a.mp4;b.mp4",1.5,20,Fan,Red,Green=Stub,1,1,1,1,"a ""note"""\n'
    "two,c.mp4,,,Coil,Green,,2,1,1,2,\n"
)
CORRECTIONS = "clip,time_s,field,value\na.mp4,1.2,bitrate,38.4\na.mp4,2.5,bitrate,--\n"
OVERLAY = overlay_toml(
    "decimals = 1\nminimum = 0.0\nmaximum = 45.0\n"
    "[[field.also]]\nframe = [64, 48]\nbox = [1, 2, 3, 4]"
)
PIECES = st.sampled_from(
    ["", ",", ";", "\t", "\n", "\r\n", '"', "\0", "\ufeff", "=", "[", "]", "-1", "1e999", "nan"]
) | st.text(max_size=6)


@st.composite
def mutated(draw: st.DrawFn, original: str) -> bytes:
    """Cut, repeat and overwrite parts of a good file; save it in some encoding."""
    text = original
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = draw(st.integers(start, min(len(text), start + 30)))
        text = text[:start] + draw(PIECES) + text[end:]
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    return text.encode(encoding, errors="replace")


def one_line(error: ExtractorError) -> None:
    assert str(error)
    assert len(str(error)) < 2000


@given(mutated(RUNS))
@settings(max_examples=300, deadline=None)
def test_runs(raw: bytes) -> None:
    try:
        runs = parse_runs(parse_table(raw, "runs.csv"))
    except ExtractorError as error:
        one_line(error)
    else:
        assert len({r.run for r in runs}) == len(runs)
        assert all(r.clips for r in runs)


@given(mutated(CORRECTIONS))
@settings(max_examples=200, deadline=None)
def test_corrections(raw: bytes) -> None:
    try:
        parse_corrections(parse_table(raw, "corrections.csv"))
    except ExtractorError as error:
        one_line(error)


@given(mutated(OVERLAY))
@settings(max_examples=300, deadline=None)
def test_overlay(raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "overlay.toml"
        path.write_bytes(raw)
        try:
            known = overlay_file.load(path)
        except ExtractorError as error:
            one_line(error)
        else:
            for field in known.fields:
                assert field.box.within(*field.frame)
            overlay_file.save(path, known.fields)
            assert overlay_file.load(path) == known


@given(mutated('place = "hall"\npower_mw = 25\nnotes = """a\nb"""\n'))
@settings(max_examples=100, deadline=None)
def test_conditions(raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "session.toml").write_bytes(raw)
        try:
            Session(Path(folder)).conditions()
        except ExtractorError as error:
            one_line(error)


def test_a_hundred_thousand_rows_are_read() -> None:
    raw = ("clip;time_s;field;value\n" + "a.mp4;1,5;bitrate;38,4\n" * 100_000).encode()
    rows = parse_corrections(parse_table(raw, "corrections.csv"))
    assert len(rows) == 100_000
    assert rows[-1].time_s == 1.5
