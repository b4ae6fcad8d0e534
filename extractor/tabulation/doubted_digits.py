"""Digits in doubt: which are missing from a session's numbers, what is said of it, what settles it.

``results/doubted_digits.json`` holds those that stand; it is not there where none does. Tables,
page, comparison and report all take them from it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from extractor.reading.number_parsing import interpret
from extractor.session.atomic import read_json, write_json
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.user_tables import Correction
from extractor.statistics.missing_digits import MissingDigit, Numbers, missing_digits

FILE = "doubted_digits.json"
#: So many readings with the digit that stands in, judged right and none wrong, settle a doubt: if
#: half of them were the missing digit, all would be right once in a thousand times.
RIGHT_ENOUGH = 10
#: The same number counts so often at most: one at the ceiling cannot be a greater one misread.
RIGHT_OF_ONE = 2
#: Times written with three and with four decimals are the same reading's.
SAME_TIME_S = 2e-3
_PLACES = ("last digit", "last digit but one", "last digit but two")

Answers = Sequence[Mapping[str, str]]


@dataclass(frozen=True)
class Doubt:
    """A digit missing from a field, in one clip or the whole session."""

    field: str
    clip: str
    """Empty for the whole session."""
    digit: MissingDigit
    left_out: int = 0
    """Readings that do not count because of it."""

    def concerns(self, clip: str) -> bool:
        """Tell whether it is about a clip."""
        return self.clip in ("", clip)

    def key(self) -> tuple[object, ...]:
        """Return what the tables depend on."""
        d = self.digit
        return self.field, self.clip, d.digit, d.read_as, d.decimals, d.moving

    @property
    def reason(self) -> str:
        """Why a reading that holds one of the digits deserves a look."""
        said = "hardly ever" if self.digit.seen else "never"
        may = f"may it be read as {_listed(self.digit)}?" if self.digit.read_as else "is this one?"
        return f"{self.digit.digit} was {said} read: {may}"

    @property
    def sentence(self) -> str:
        """What a pilot should know."""
        d = self.digit
        often = f"only {d.seen} times" if d.seen else "never"
        where = f" in {self.clip}" if self.clip else ""
        said = (
            f"{d.digit} was {often} read as {_PLACES[d.place]} in {d.numbers:,} numbers of "
            f"{self.field}{where}: "
        )
        if not d.read_as:
            return said + (
                "no other digit stands in its place, so it is probably among the readings that "
                "were not read. Look at them on the page, under Check."
            )
        return said + (
            f"it may be read as {_listed(d)}. Readings with {d.digit} or {_listed(d)} do not count "
            "until you have looked: extractor open, Check. "
            f"{RIGHT_ENOUGH} that are right settle it; if it is misread, put them right there."
        )


def _listed(digit: MissingDigit) -> str:
    return " or ".join(digit.read_as)


def doubts_in(
    numbers: Mapping[str, Mapping[str, Numbers]],
    corrections: Sequence[Correction],
    answers: Callable[[], Answers],
) -> list[Doubt]:
    """Return what is in doubt and not settled, the whole session's first.

    Parameters
    ----------
    numbers : mapping
        By clip and field.
    corrections : sequence of Correction
        Of the session.
    answers : callable
        Gives the rows of ``results/checked.csv``; asked only if something is in doubt.
    """
    fields = list(dict.fromkeys(name for own in numbers.values() for name in own))
    tests = len(fields) * (len(numbers) + 1)
    found: list[Doubt] = []
    for name in fields:
        own = {clip: one[name] for clip, one in numbers.items() if name in one}
        found += [Doubt(name, "", d) for d in missing_digits(list(own.values()), tests)]
        said = {doubt.digit.digit for doubt in found if doubt.field == name}
        for clip, one in own.items() if len(own) > 1 else ():
            more = missing_digits([one], tests)
            found += [Doubt(name, clip, d) for d in more if d.digit not in said]
    rows = answers() if found else ()
    return [doubt for doubt in found if not _settled(doubt, rows, corrections)]


def _settled(doubt: Doubt, answers: Answers, corrections: Sequence[Correction]) -> bool:
    right: set[tuple[str, str]] = set()
    for row in answers:
        read = interpret(row["text"], 1.0, 0.0).value
        if row["field"] != doubt.field or not doubt.concerns(row["clip"]):
            continue
        if not doubt.digit.stands_in(read):
            continue
        if row["verdict"] == "right":
            right.add((row["clip"], row["text"]))
        elif row["verdict"] == "wrong":
            truth = _put_right(row, corrections)
            if truth is None or doubt.digit.is_denied_by(read, truth):
                return False
    numbers = Counter(text for _, text in right)
    return sum(min(n, RIGHT_OF_ONE) for n in numbers.values()) >= RIGHT_ENOUGH


def _put_right(row: Mapping[str, str], corrections: Sequence[Correction]) -> float | None:
    time_s = float(row["time_s"])
    for one in corrections:
        near = abs(one.time_s - time_s) <= SAME_TIME_S
        if near and (one.clip, one.field) == (row["clip"], row["field"]):
            return parse_number(one.value)
    return None


def load(session: Session) -> list[Doubt]:
    """Return the doubts that stand."""
    try:
        rows = read_json(session.results / FILE).get("doubts", ())
        return [_from_json(one) for one in rows]
    except (TypeError, KeyError):
        return []


def _from_json(row: Mapping[str, Any]) -> Doubt:
    digit = {**row["digit"], "moving": tuple(row["digit"]["moving"])}
    return Doubt(row["field"], row["clip"], MissingDigit(**digit), row["left_out"])


def save(session: Session, doubts: Sequence[Doubt]) -> None:
    """Write the doubts that stand; none: the file is removed.

    Raises
    ------
    StorageError
        If it cannot be written.
    """
    rows = [{**asdict(d), "sentence": d.sentence} for d in doubts]
    path = session.results / FILE
    if not rows:
        path.unlink(missing_ok=True)
    elif load(session) != list(doubts):
        write_json(path, {"doubts": rows})
