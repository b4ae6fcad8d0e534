"""Findings: what the numbers say, in words; the printed text and the JSON come from them."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Part = Literal["verdict", "appendix"]
#: Level of each of the five checks that nobody asked for (drift, warm-up, a port that acts unlike,
#: odd runs, unlike spreads). With the port's 5 % some alarm shows in at most 10 % of sessions in
#: which nothing is going on.
CHECK_LEVEL = 0.01


@dataclass(frozen=True)
class Quantity:
    """One number behind a sentence."""

    name: str
    value: float | None
    """None where it is not known."""
    unit: str = ""


@dataclass(frozen=True)
class Finding:
    """One statement."""

    kind: str
    """What it is about, one of a fixed set of words, such as ``ranking`` or ``ports``."""
    sentence: str
    how_we_know: str
    numbers: tuple[Quantity, ...] = ()
    part: Part = "verdict"


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
        return Quantity(name, value if math.isfinite(value) else None, self.unit)

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


def counted(count: int, noun: str) -> str:
    """Return ``1 mounting`` or ``2 mountings``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def to_json(findings: Iterable[Finding]) -> str:
    """Return the findings as a JSON list, in their order."""
    content = [
        {
            "kind": f.kind,
            "part": f.part,
            "sentence": f.sentence,
            "how_we_know": f.how_we_know,
            "numbers": [
                {"name": q.name, "value": _plain(q.value), "unit": q.unit} for q in f.numbers
            ],
        }
        for f in findings
    ]
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def to_text(findings: Iterable[Finding]) -> str:
    """Return the findings for reading: the verdicts, then the appendix."""
    findings = list(findings)
    lines: list[str] = []
    for part, title in (("verdict", "Findings"), ("appendix", "Appendix")):
        chosen = [f for f in findings if f.part == part]
        if not chosen:
            continue
        lines += [title, ""]
        for finding in chosen:
            lines += [f"- {finding.sentence}", f"  How we know: {finding.how_we_know}", ""]
    return "\n".join(lines)
