"""Findings: what the numbers say, in words; the printed text and the JSON come from them."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Literal

Part = Literal["verdict", "appendix"]
#: Level of each of the five checks that nobody asked for (drift, warm-up, a port that acts unlike,
#: odd runs, unlike spreads). With the port's 5 % some alarm shows in at most 10 % of sessions in
#: which nothing is going on.
CHECK_LEVEL = 0.01
#: More names than this do not stand in one sentence that a pilot would say to another.
MOST_NAMED = 4


@dataclass(frozen=True)
class Quantity:
    """One number behind a sentence."""

    name: str
    value: float | None
    """None where it is not known: NaN and infinity become it."""
    unit: str = ""

    def __post_init__(self) -> None:
        known = self.value is not None and math.isfinite(self.value)
        object.__setattr__(self, "value", float(self.value or 0.0) if known else None)


@dataclass(frozen=True)
class Moment:
    """A moment in a clip that a finding speaks of."""

    session: str
    clip: str
    time_s: float
    text: str


#: What a pilot asks, in this order, and the kinds of findings that answer. The first is asked
#: by nobody: what makes the rest doubtful. Kinds that stand nowhere say how sure it is.
QUESTIONS: dict[str, tuple[str, ...]] = {
    "Mind this first": (
        *("doubted_digits", "draft", "two_scales", "outages_change_order", "order_confounded"),
        *("conditions", "mounting_unknown", "rounds"),
    ),
    "Which one?": ("ranking", "direction", "pairs", "inner_differences", "difference_db"),
    "How sure is that?": ("probability_best",),
    "Does the port matter?": ("ports", "port_choice", "ranking_by_port"),
    "Best for what?": ("aim", "beamwidth", "coverage"),
    "Did any link drop out?": ("events",),
    "What now?": ("looks", "next"),
}
_REST = "How sure is that?"
#: A headline has no more words than a pilot says in one breath.
MOST_WORDS = 25


@dataclass(frozen=True)
class Finding:
    """One statement."""

    kind: str
    """What it is about, one of a fixed set of words, such as ``ranking`` or ``ports``."""
    sentence: str
    how_we_know: str
    numbers: tuple[Quantity, ...] = ()
    part: Part = "verdict"
    moments: tuple[Moment, ...] = ()

    @property
    def question(self) -> str:
        """What it answers, one of `QUESTIONS`."""
        return next((q for q, kinds in QUESTIONS.items() if self.kind in kinds), _REST)


def headline(findings: Iterable[Finding]) -> str:
    """Return the one sentence to begin with: at most `MOST_WORDS` words; "" without a verdict."""
    found = {f.kind: f.sentence for f in reversed(list(findings))}
    text = next((found[k] for k in ("two_scales", "ranking", "direction") if k in found), "")
    sentences = re.split(r"(?<=[.?!])\s+(?=[A-Z])", text)
    kept = sentences[:1]
    for sentence in sentences[1:]:
        if len(" ".join([*kept, sentence]).split()) > MOST_WORDS:
            break
        kept.append(sentence)
    return " ".join(kept)


def by_question(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    """Return the findings under what they answer, in the order of `QUESTIONS`, verdicts first."""
    order = [kind for kinds in QUESTIONS.values() for kind in kinds]

    def place(finding: Finding) -> tuple[bool, int]:
        known = finding.kind in order
        return finding.part == "appendix", order.index(finding.kind) if known else len(order)

    found = sorted(findings, key=place)
    asked = {q: [f for f in found if f.question == q] for q in QUESTIONS}
    return {q: own for q, own in asked.items() if own}


@dataclass(frozen=True)
class Voice:
    """How numbers are said: unit, digits, confidence."""

    unit: str = ""
    digits: int = 1
    """Digits after the point for amounts in the unit."""
    confidence: float = 0.95
    noun: str = "antenna"
    """What is compared."""

    def amount(self, value: float, *, sign: bool = False) -> str:
        """Return a number with its unit, such as ``3.1 Mbit/s``."""
        return f"{self.number(value, sign=sign)} {self.unit}".strip()

    def number(self, value: float, *, sign: bool = False) -> str:
        """Return a number without its unit."""
        text = f"{value:+.{self.digits}f}" if sign else f"{value:.{self.digits}f}"
        return text if float(text) != 0 else text.lstrip("+-")

    def interval(self, low: float, high: float) -> str:
        """Return ``95 % interval 1.0 to 2.0 Mbit/s``."""
        return f"{self.percent} interval {self.number(low)} to {self.amount(high)}"

    @property
    def percent(self) -> str:
        """The confidence, such as ``95 %``."""
        return f"{100 * self.confidence:g} %"

    def quantity(self, name: str, value: float) -> Quantity:
        """Return a number in the measured unit."""
        return Quantity(name, value, self.unit)

    def quantities(self, amounts: Mapping[str, float]) -> tuple[Quantity, ...]:
        """Return several numbers in the measured unit, by their names."""
        return tuple(self.quantity(name, value) for name, value in amounts.items())


def digits_for(values: Iterable[float]) -> int:
    """Return the digits after the point that make three figures of the largest value."""
    largest = max((abs(v) for v in values if math.isfinite(v)), default=0.0)
    if largest == 0:
        return 1
    return min(4, max(0, 2 - math.floor(math.log10(largest))))


def p_text(p: float) -> str:
    """Return ``p = 0.03`` or ``p < 0.001``."""
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}" if p < 0.1 else f"p = {p:.2f}"


def listed(names: Sequence[str], last: str = "and") -> str:
    """Return ``A``, ``A and B`` or ``A, B and C``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def few(names: Sequence[str], what: str) -> str:
    """Return the names or, where they are more than `MOST_NAMED`, how many of what there are."""
    return listed(names) if len(names) <= MOST_NAMED else f"{len(names)} {what}"


def counted(count: int, noun: str) -> str:
    """Return ``1 mounting`` or ``2 mountings``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def to_json(findings: Iterable[Finding]) -> str:
    """Return the findings as a JSON list, in their order."""
    keys = ("kind", "part", "sentence", "how_we_know", "numbers", "moments")
    content = [{key: row[key] for key in keys} for row in map(asdict, findings)]
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def from_json(text: str) -> list[Finding]:
    """Return the findings that `to_json` wrote.

    Raises
    ------
    ValueError
        If the text is none of its making.
    """
    try:
        return [
            Finding(
                **{k: f[k] for k in ("kind", "sentence", "how_we_know", "part")},
                numbers=tuple(Quantity(**q) for q in f["numbers"]),
                moments=tuple(Moment(**m) for m in f.get("moments", ())),
            )
            for f in json.loads(text)
        ]
    except (LookupError, TypeError, RecursionError) as error:
        raise ValueError(f"no list of findings: {error}") from error


def to_text(findings: Iterable[Finding]) -> str:
    """Return the findings for reading: one line, then question by question, then the appendix."""
    findings = list(findings)
    bold = headline(findings)
    lines: list[str] = [bold] if bold else []
    # Said at the head already: only how it is known is left to say.
    head = next((f for f in findings if f.sentence == bold), None)
    lines += [f"  How we know: {head.how_we_know}"] if head is not None else []
    lines += [""] * bool(lines)
    rest = [f for f in findings if f is not head]
    chosen = by_question(f for f in rest if f.part == "verdict")
    for title, own in (chosen | {"Appendix": [f for f in rest if f.part == "appendix"]}).items():
        lines += [title, ""] if own else []
        for finding in own:
            lines.append(f"- {finding.sentence}")
            lines += [f"  {m.text} ({m.clip}, from {m.time_s:.1f} s)" for m in finding.moments]
            lines += [f"  How we know: {finding.how_we_know}", ""]
    return "\n".join(lines)
