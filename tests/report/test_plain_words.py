"""Words explained where they stand; tables with units, and the sign of the sentence."""

import re

import pytest
from comparison_making import compared, scenario

from extractor.comparison.model import records
from extractor.report.plain_words import explained, glossary, plain_table, shown

#: What the page and the report show of the trade and of statistics.
ASKED = (
    *("mounting", "others", "companion", "coverage", "availability", "p", "df", "detectable"),
    *("Tukey-Kramer", "Dunnett", "drift", "ceiling", "interval", "degrees of freedom", "dBi"),
    *("beamwidth", "EIRP", "median", "polarisation", "VSWR", "spread", "port_role", "Bonferroni"),
)


def heads(table):
    return ["".join(piece for piece, _ in column["title"]) for column in table["columns"]]


@pytest.mark.parametrize("word", ASKED)
def test_every_such_word_is_explained(word):
    assert (word, glossary()[word]) in explained(f"The {word} here.")
    assert len(glossary()[word].split()) <= 30


def test_every_explanation_is_plain():
    for word, text in glossary().items():
        assert text[0].isupper() and text.endswith("."), word
        assert not re.search(r"can.t reject|null|hypothes", text, re.I)


def test_a_text_is_left_as_it_is_and_a_word_is_explained_once():
    text = "Mountings of runs.csv: mountings, port-side, p = 0.01, P and runs."
    pieces = explained(text)
    assert "".join(piece for piece, _ in pieces) == text
    assert [piece for piece, about in pieces if about] == ["Mountings", "p", "runs"]


@pytest.mark.parametrize(("effect", "better"), [(1.5, "Green"), (-1.5, "Red")])
def test_a_table_of_ports_has_the_sign_of_its_sentence(effect, better):
    found = compared(scenario(port_effect=effect))
    table = plain_table("ports", records(found.ports), "Mbit/s")
    row = dict(zip(heads(table), table["rows"][0], strict=True))
    assert row["Port"] == better
    assert float(row["by, Mbit/s"]) > 0
    sentence = next(f.sentence for f in found.findings if f.kind == "ports")
    low, high = re.search(r"interval (\S+) to (\S+) Mbit", sentence).groups()
    ends = [float(end) for end in row["interval, Mbit/s"].split(" to ")]
    assert ends == pytest.approx([float(low), float(high)], abs=0.06)
    assert f"{better} read" in sentence


def test_tables_carry_units_and_ties_share_a_place():
    found = compared(scenario())
    table = plain_table("ranking", records(found.ranking), "Mbit/s")
    assert heads(table)[:3] == ["Place", "Antenna", "Level, Mbit/s"]
    assert table["rows"][0][:2] == ("1", "Slab")
    # Stub is shown to be behind two of them; Fan and Coil only behind Slab.
    assert [row[0] for row in table["rows"]] == ["1", "2", "2", "3"]
    assert plain_table("pairs", [], "ms") is None


def test_a_p_has_two_digits_and_names_stay_names():
    assert [shown(p, "p") for p in (0.011900, 0.0469, 0.5, 0.9987, 0.00001)] == [
        *("0.012", "0.047", "0.50", "1.00", "< 0.001"),
    ]
    assert [shown(v) for v in ("1.10", "Fan;Coil", True, None, float("nan"), 180.0)] == [
        *("1.10", "Fan, Coil", "yes", "", "", "180"),
    ]
