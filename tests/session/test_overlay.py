"""overlay.toml: what it may say, what is refused and how, what survives a rewrite."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from clipmaker import overlay_toml

from extractor.errors import ClipError, OverlayError, SessionFileError
from extractor.session import overlay, overlay_file
from extractor.session.conditions import edit_condition
from extractor.session.folder import Session
from extractor.session.overlay import Box, Field, Overlay, Place


def load(tmp_path: Path, text: str) -> Overlay:
    path = tmp_path / "overlay.toml"
    path.write_text(text, encoding="utf-8")
    return overlay_file.load(path)


def test_all_keys(tmp_path: Path) -> None:
    more = (
        'decimals = 1\nbetter = "higher"\nminimum = 0\nmaximum = 45.5\nceiling = 40\nlow = 4\n'
        "[[field.also]]\nframe = [400, 300]\nbox = [1, 2, 3, 4]"
    )
    (only,) = load(tmp_path, overlay_toml(more)).fields
    assert only == Field(
        name="bitrate",
        frame=(320, 180),
        box=Box(40, 20, 64, 32),
        unit="Mbit/s",
        decimals=1,
        better="higher",
        minimum=0.0,
        maximum=45.5,
        ceiling=40.0,
        low=4.0,
        also=(Place((400, 300), Box(1, 2, 3, 4)),),
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (overlay_toml("ceilling = 40"), "unknown key 'ceilling'; did you mean 'ceiling'?"),
        (overlay_toml() + "[[fields]]\n", "unknown key 'fields'; did you mean 'field'?"),
        (overlay_toml(box=(300, 20, 64, 32)), "reaches outside its frame of 320x180"),
        (overlay_toml(box=(-1, 20, 64, 32)), "reaches outside"),
        (overlay_toml(box=(40, 20, 0, 32)), "has no size"),
        (overlay_toml() + overlay_toml()[11:], "two fields are called 'bitrate'"),
        (overlay_toml("better = 'more'"), 'must be "higher" or "lower"'),
        (overlay_toml("minimum = 5\nmaximum = 5"), "minimum 5 is not below maximum 5"),
        (overlay_toml("low = 5\nbetter = 'lower'"), "low has no meaning"),
        (overlay_toml("decimals = 'two'"), 'must be "auto" or 0 to 6'),
        (overlay_toml("minimum = nan"), "must be a number"),
        ("version = 1\n[[field]]\nname = 'x'\nbox = [1, 2, 3, 4]\n", "'frame' is missing"),
        (overlay_toml().replace('"bitrate"', '"bit rate"'), "letters, digits and _ only"),
        (overlay_toml().replace("[40, 20, 64, 32]", "[40, 20, 64]"), "4 whole numbers"),
        ("version = 2\n", "version 2 is not known"),
        ("version = 1\n", "has no [[field]]"),
        ("version = = 1", "is not valid TOML"),
        ("field = 3", "under its own [[field]] heading"),
    ],
)
def test_refused_with_place_and_remedy(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(OverlayError) as raised:
        load(tmp_path, text)
    assert said in str(raised.value)
    assert "overlay.toml" in str(raised.value)
    assert "\n" not in str(raised.value)


def test_columns_may_not_collide(tmp_path: Path) -> None:
    second = overlay_toml()[11:].replace('"bitrate"', '"bitrate_text"')
    with pytest.raises(OverlayError, match="belongs to"):
        load(tmp_path, overlay_toml() + second)


def test_missing_and_not_text(tmp_path: Path) -> None:
    with pytest.raises(OverlayError, match="mark the number first"):
        overlay_file.load(tmp_path / "overlay.toml")
    (tmp_path / "overlay.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(OverlayError, match="UTF-8"):
        overlay_file.load(tmp_path / "overlay.toml")


def test_box_is_scaled_for_the_same_shape_only() -> None:
    field = Field("x", (1600, 900), Box(690, 24, 190, 48))
    assert field.box_for(1600, 900) == field.box
    assert field.box_for(800, 450) == Box(345, 12, 95, 24)
    assert field.box_for(3200, 1800) == Box(1380, 48, 380, 96)
    # 854x480 is what encoders make of 16:9 at 480 lines.
    assert field.box_for(854, 480).within(854, 480)
    with pytest.raises(ClipError, match="another shape"):
        field.box_for(1280, 960)
    both = replace(field, also=(Place((1280, 960), Box(500, 20, 100, 40)),))
    assert both.box_for(1280, 960) == Box(500, 20, 100, 40)
    assert both.box_for(640, 480) == Box(250, 10, 50, 20)


def test_marking_another_shape_adds_a_place() -> None:
    field = Field("x", (1600, 900), Box(690, 24, 190, 48))
    wider = overlay.with_place(field, Place((1280, 960), Box(1, 1, 9, 9)))
    assert wider.box == field.box
    assert wider.also == (Place((1280, 960), Box(1, 1, 9, 9)),)
    moved = overlay.with_place(wider, Place((1280, 960), Box(2, 2, 9, 9)))
    assert moved.also == (Place((1280, 960), Box(2, 2, 9, 9)),)
    again = overlay.with_place(wider, Place((800, 450), Box(5, 5, 90, 20)))
    assert (again.frame, again.box) == ((800, 450), Box(5, 5, 90, 20))


def test_comments_survive_a_rewrite(tmp_path: Path) -> None:
    path = tmp_path / "overlay.toml"
    known = load(tmp_path, "# mine\n" + overlay_toml("ceiling = 40.0 # from the manual"))
    second = Field("latency", (320, 180), Box(1, 1, 20, 10), better="lower")
    overlay_file.save(path, [replace(known.fields[0], decimals=1), second])
    text = path.read_text("utf-8")
    assert "# mine" in text
    assert "# from the manual" in text
    assert overlay_file.load(path).fields == (replace(known.fields[0], decimals=1), second)
    assert (tmp_path / ".overlay.toml.previous").read_text("utf-8").startswith("# mine")


def test_tables_written_in_one_line_can_be_edited(tmp_path: Path) -> None:
    inline = "field = [{name = 'a', frame = [320, 180], box = [1, 1, 20, 10]}]\nversion = 1\n"
    known = load(tmp_path, inline).fields
    wanted = (replace(known[0], maximum=45.0), replace(known[0], name="b"))
    for _ in range(2):
        overlay_file.save(tmp_path / "overlay.toml", wanted)
        assert overlay_file.load(tmp_path / "overlay.toml").fields == wanted


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 100_000,
        "a = " + "{a=" * 50_000,
        "a." * 50_000 + "a = 1",
        '[ "a b" .' + " 'c'." * 5000 + "a ]",
        "a = 1" + "0" * 400,
        "a = [1, {b = -1" + "0" * 30 + "}]",
        "a = 1" + "0" * 5000,
        "# " + "x" * 2_000_000,
    ],
    ids=range(8),
)
def test_what_would_never_end_or_fit_is_refused_at_once(tmp_path: Path, text: str) -> None:
    for name, load in (("overlay.toml", Session.overlay), ("session.toml", Session.conditions)):
        (tmp_path / name).write_text(text)
        with pytest.raises(SessionFileError, match=f"{name}: is not valid TOML"):
            load(Session(tmp_path))


def test_what_people_write_is_not_taken_for_that(tmp_path: Path) -> None:
    text = f'notes = "{"a.b, see below ... " * 200}"  # {"." * 300}\nphone = "{"1" * 40}"\n'
    (tmp_path / "session.toml").write_text(text + "power_mw = 25\n")
    assert Session(tmp_path).conditions()["power_mw"] == 25


def test_editing_a_file_too_deep_for_the_writer_says_so(tmp_path: Path) -> None:
    text = "a = " + "[" * 300 + "]" * 300 + "\n"
    (tmp_path / "session.toml").write_text(text)
    try:
        edit_condition(Session(tmp_path), "place", "", "shed")
    except SessionFileError as error:
        assert "not valid TOML" in str(error)
        assert (tmp_path / "session.toml").read_text() == text
    else:  # an older writer goes as deep
        assert (tmp_path / "session.toml").read_text() == text + 'place = "shed"\n'
