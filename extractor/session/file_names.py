"""What file names say about runs: which part is the antenna, the port, the mounting.

A wrong proposal that looks right is worse than none, so a part of the name counts only where the
pattern of all names bears it out; everything else is left empty.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import PurePosixPath

_SEPARATORS = re.compile(r"[_\-. /]+")
_DATE = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])"
    r"(?:[-_T ]+(\d\d)[-_.](\d\d)(?:[-_.](\d\d))?)?(?!\d)"
)
_DATE_AND_TIME = re.compile(r"(?<!\d)20\d{6}[-_T ]?\d{6}(?!\d)")
_MOUNTING = re.compile(r"(?:m|mount|mounting)([1-9]\d?)", re.IGNORECASE)
_MOUNTING_APART = re.compile(r"(?<![^\W_])(mount|mounting)[_\-. ]+(?=\d{1,2}(?!\d))", re.IGNORECASE)
_TAKE = re.compile(r"(?:r|rep|repeat|t|take|run|try|clip|rec)\d+", re.IGNORECASE)
_SHORT = re.compile(r"\d{1,2}")
_NUMBER = re.compile(r"\d.*|.*\d{3}.*")
_PORT = re.compile(r"(?:port|rx)\d", re.IGNORECASE)
_PORTS = frozenset(
    {
        *("red", "green", "blue", "yellow", "left", "right", "upper", "lower", "top", "bottom"),
        *("front", "rear", "back", "inner", "outer"),
    }
)
#: A receiver has few ports; a part of the name with more values is something else.
MOST_PORTS = 4
#: A running number has gaps where clips were deleted, but no more than so many for each clip left.
MOST_STEP = 3


def propose(clips: Sequence[str], antennas: Collection[str] = ()) -> dict[str, dict[str, str]]:
    """Read antenna, port and mounting from paths such as ``slab_m1_red.mp4``.

    The path is split at ``_ - . /`` and spaces. Only clips whose parts are of the same kinds in
    the same order as those of most clips get anything. The mounting is a part such as ``m1`` or
    ``mount 1``; the port one of a few usual words (colours, sides, ``port1``) that come with more
    than one antenna. The antenna is the part that `antennas` names; where nothing is known, the
    one other word that differs, and only beside a mounting or a port. Dates, running numbers,
    takes and sizes of the picture are none of these.

    Parameters
    ----------
    clips : sequence of str
        Paths in the session.
    antennas : collection of str
        Names from ``antennas.csv``; where there are any, no other word is an antenna.

    Returns
    -------
    dict
        For each clip that says its antenna: columns of ``runs.csv`` and their cells.
    """
    known = {unicodedata.normalize("NFC", name).casefold(): name for name in antennas}
    parts = {clip: _parts(clip) for clip in clips}
    kinds = {clip: tuple(_kind(p, known) for p in own) for clip, own in parts.items()}
    shape, count = Counter(kinds.values()).most_common(1)[0] if clips else ((), 0)
    if count < 2 or 2 * count <= len(clips):
        return {}
    rows = {clip: own for clip, own in parts.items() if kinds[clip] == shape}
    return _Names(shape, rows, known).proposals()


def _parts(clip: str) -> list[str]:
    path = unicodedata.normalize("NFC", str(PurePosixPath(clip).with_suffix("")))
    path = _MOUNTING_APART.sub(r"\1", _DATE.sub(lambda m: "".join(filter(None, m.groups())), path))
    return [part for part in _SEPARATORS.split(path) if part]


def _kind(part: str, known: Mapping[str, str]) -> str:
    if part.casefold() in known:
        return "antenna"
    if _MOUNTING.fullmatch(part):
        return "mounting"
    if part.casefold() in _PORTS or _PORT.fullmatch(part):
        return "port"
    if re.match(r"20\d{6}", part):
        return "date"
    return "number" if _NUMBER.fullmatch(part) or _TAKE.fullmatch(part) else "word"


class _Names:
    """Names of one shape, part by part."""

    def __init__(
        self, shape: tuple[str, ...], rows: Mapping[str, list[str]], known: Mapping[str, str]
    ) -> None:
        self.shape, self.rows, self.known = shape, rows, known
        self.columns = [
            # A date with the time behind it is a day too.
            [own[i][:8] if kind == "date" else own[i].casefold() for own in rows.values()]
            for i, kind in enumerate(shape)
        ]

    def proposals(self) -> dict[str, dict[str, str]]:
        antenna, port, mounting = self.antenna(), self._varying("port"), self._of("mounting")
        if antenna is None or len(port) > 1 or not all(self._is_port(i, antenna) for i in port):
            return {}
        often = Counter(self.columns[antenna])
        cells = {
            # Once only it may be a slip of the pen.
            clip: {"antenna": self._spelt(antenna, own)}
            for clip, own in self.rows.items()
            if self.known or often[own[antenna].casefold()] > 1
        }
        for clip, own in cells.items():
            if port:
                own["port"] = self._spelt(port[0], self.rows[clip])
            if len(mounting) == 1 and self._are_mountings(mounting[0], antenna):
                match = _MOUNTING.fullmatch(self.rows[clip][mounting[0]])
                own["mounting"] = match[1] if match else ""
        return cells

    def antenna(self) -> int | None:
        if self.known:
            found = self._of("antenna")
            found = found if len(found) == 1 else self._varying("antenna")
        else:
            # yagi1 and yagi2, day1 and day2: what differs in digits alone is numbered, not named.
            found = [i for i in self._varying("word") if not self._is_numbered(i)]
            if not {"mounting", "port"} & set(self.shape):
                return None
        return found[0] if len(found) == 1 else None

    def _of(self, kind: str) -> list[int]:
        return [i for i, k in enumerate(self.shape) if k == kind]

    def _varying(self, kind: str) -> list[int]:
        return [i for i in self._of(kind) if len(set(self.columns[i])) > 1]

    def _is_numbered(self, at: int) -> bool:
        return len({re.sub(r"\d+", "", value) for value in self.columns[at]}) == 1

    def _is_port(self, at: int, antenna: int) -> bool:
        """Tell whether its values come with several antennas each, as a receiver's ports do."""
        pairs = Counter(port for port, _ in self._levels([at, antenna]))
        few = min(2, len(set(self.columns[antenna])))
        return len(pairs) <= MOST_PORTS and min(pairs.values()) >= few

    def _are_mountings(self, at: int, antenna: int) -> bool:
        """Tell whether nothing else in the names says that the numbers begin anew."""
        # "day 2", "03.05.": of numbers, those of one or two digits.
        short = [i for i in self._of("number") if all(_SHORT.fullmatch(v) for v in self.columns[i])]
        words = [
            i
            for i in (*self._of("word"), *short)
            # A number of its own for every clip is a running one.
            if not (self._is_numbered(i) and len(set(self.columns[i])) == len(self.rows))
        ]
        named = [antenna, at]
        told = {*named, *words, *self._of("date")}
        return len(self._levels(named)) == len(self._levels(sorted(told)))

    def _levels(self, positions: Sequence[int]) -> set[tuple[str, ...]]:
        return set(zip(*(self.columns[i] for i in positions), strict=True))

    def _spelt(self, at: int, own: Sequence[str]) -> str:
        text = next(o[at] for o in self.rows.values() if o[at].casefold() == own[at].casefold())
        return self.known.get(text.casefold(), text.capitalize() if text.islower() else text)


def are_counted(clips: Sequence[str]) -> bool:
    """Tell whether names are a recorder's: one running number of three digits or more, or a time.

    ``coil1_port2`` and ``range_100`` have numbers too, but those say nothing about the order.
    """
    stems = [PurePosixPath(clip).stem for clip in clips]
    if all(_DATE_AND_TIME.search(stem) for stem in stems):
        return True
    columns = list(zip(*(re.findall(r"\d+", stem) for stem in stems), strict=False))
    running = [column for column in columns if len(set(column)) > 1]
    if len(running) != 1 or min(map(len, running[0])) < 3:
        return False
    numbers = [int(n) for n in running[0]]
    return max(numbers) - min(numbers) < MOST_STEP * len(numbers)
