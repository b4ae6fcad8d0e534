"""One text for the cautions: page, sheet and report take it from here."""

from pathlib import Path

from extractor.radio.cautions import NOT_A_COMPLIANCE_TOOL, cautions

PAGE = Path(__file__).parents[2] / "docs" / "cautions.md"


def text_of(items):
    return " ".join(item.text for item in items).casefold()


def test_page_equals_the_source():
    shown, sources = PAGE.read_text(encoding="utf-8").split("## Sources\n")
    parts = [f"## {one.title}\n\n{one.text}\n" for one in cautions()]
    assert shown == "\n".join(["# Cautions\n", *parts, ""])
    assert "47 CFR 1.1310" in sources


def test_says_that_it_is_no_compliance_tool_first():
    assert cautions()[0].text == NOT_A_COMPLIANCE_TOOL
    assert "Not a compliance tool" in NOT_A_COMPLIANCE_TOOL


def test_covers_what_can_hurt():
    text = text_of(cautions())
    for word in ("eirp", "propellers", "lithium", "unscrewed", "no load", "heat", "local rules"):
        assert word in text


def test_never_advises_to_terminate_a_transmitting_port():
    assert "terminate" not in text_of(cautions(1000, 12))


def test_distance_for_the_users_own_power():
    # 1 W into 12 dBi: 35.5 cm (check in test_path_loss.py), 1.6 times with reflection.
    own = cautions(1000, 12)[1]
    assert "42.0 dBm" in own.text
    assert "35.5 cm" in own.text
    assert "within 60 cm" in own.text
    assert "reckoned high" not in own.text
    # 1 W into 15 dBi: 50.2 cm, with reflection 80.2.
    assert "within 90 cm" in cautions(1000, 15)[1].text


def test_an_unknown_power_or_gain_is_reckoned_high():
    assert "within 60 cm" in cautions()[1].text
    assert "1000 mW into 12 dBi (what is not given is reckoned high)" in cautions()[1].text
    assert "200 mW into 12 dBi (what" in cautions(200)[1].text
    assert cautions(0) == cautions(-1) == cautions()


def test_never_less_than_20_cm():
    assert "within 20 cm" in cautions(25, 0)[1].text


def test_names_one_distance_to_keep():
    # Not "20 cm" beside an example that gives 50.
    for asked in ((), (1000, 15), (25, 0)):
        text = " ".join(one.text for one in cautions(*asked))
        assert text.count("Nobody comes within") == 1
        assert len(cautions(*asked)) == len(cautions())


def test_says_what_ruins_a_session_or_breaks_the_law():
    text = text_of(cautions())
    for word in ("radar", "licence", "indoors only", "rp-sma", "look into both connectors"):
        assert word in text
