"""The network's alphabet, and the way from probabilities per step to a line of text.

The network looks at a crop from left to right in steps of two pixels of its 32-pixel-high
input and gives, at each step, a probability for each sign and for "nothing new here" (the
blank of connectionist temporal classification: Graves et al., ICML 2006, from which the
forward sum in `string_probability` is taken).

Letters are one sign, `~`, however many stand together. A sign cut by the crop's edge is
another, `#` inside this module: it is not a letter, it is a warning that the number may go
on outside the crop.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from extractor.reading.readers.base import OTHER

#: Digits, point, comma, colon, dash, space, any other sign, a sign cut by the edge.
SIGNS = "0123456789.,:- ~#"
BLANK = 0
CLASSES = len(SIGNS) + 1
CUT = "#"

_CODE = {sign: index + 1 for index, sign in enumerate(SIGNS)}
_OTHER_CODE = _CODE[OTHER]
_SPACE_CODE = _CODE[" "]
DASH_CODE = _CODE["-"]
_DASHES = str.maketrans(dict.fromkeys("–—−‐‑‒", "-"))

Probabilities = npt.NDArray[np.float32]
#: What a label says, apart from letters around it.
Kind = Literal["number", "dash", "letters", "empty"]


def fold(text: str) -> str:
    """Return the string of `SIGNS` that the network is taught for a line of text.

    Letters and other signs become one `~`, with the punctuation that belongs to them and
    without spaces beside them; dashes in a row become one; a text without any digit that
    holds a dash keeps one dash for all its punctuation (``--.-`` and ``---`` are both ``-``).

    Parameters
    ----------
    text : str
        What is drawn, `CUT` standing for a sign cut by the edge of the crop.
    """
    kept = "".join(
        sign if sign in "0123456789.,:-#" else " " if sign.isspace() else OTHER
        for sign in text.translate(_DASHES)
    )
    kept = re.sub(r"[#~][#~ ]*~[#~ ]*|~[#~ ]*", OTHER, kept)
    kept = re.sub(r"#+", CUT, kept)
    kept = re.sub(r"~[.,:]+(?=[-0-9~ ]|$)|(?<![-0-9])[.,:]+~", OTHER, kept)
    kept = re.sub(r"~(-~)+", OTHER, kept)
    kept = re.sub(r" *~[ ~]*", OTHER, kept)
    kept = re.sub(r"-+", "-", kept)
    if not re.search(r"[0-9#]", kept):
        kept = re.sub(r"[-.,: ]*-[-.,: ]*", "-", kept)
        kept = re.sub(r"[.,:]+", "", kept)
    return re.sub(r" +", " ", kept).strip()


def shown(label: str, peaks: Sequence[float] = ()) -> tuple[str, tuple[float, ...]]:
    """Return a label as a reading's text, and a probability for each of its characters.

    Letters are set off by spaces, a dash in a text without digits is ``--``. A sign cut by
    the edge becomes `~` without a space between it and its neighbour.

    Parameters
    ----------
    label : str
        Made of `SIGNS`.
    peaks : sequence of float, optional
        One probability per sign of the label; 1 where absent.
    """
    numeric = any(sign.isdigit() for sign in label)
    peaks = peaks or (1.0,) * len(label)
    pairs: list[tuple[str, float]] = []
    for place, (sign, peak) in enumerate(zip(label, peaks, strict=True)):
        previous = label[place - 1] if place else ""
        if (sign == OTHER) != (previous == OTHER) and previous not in ("", " ") and sign != " ":
            pairs.append((" ", peak))
        repeat = 2 if sign == "-" and not numeric else 1
        pairs += [(OTHER if sign == CUT else sign, peak)] * repeat
    return "".join(sign for sign, _ in pairs), tuple(peak for _, peak in pairs)


def kind_of(label: str) -> Kind:
    """Return what a label made of `SIGNS` says; a cut sign counts as a number."""
    core = label.strip("~ ")
    if not core:
        return "letters" if label.strip() else "empty"
    return "dash" if core == "-" else "number"


def encode(label: str) -> list[int]:
    """Return the class numbers (1 to 17) of a label made by `fold`."""
    return [_CODE[sign] for sign in label]


def best_path(
    probabilities: Probabilities,
) -> tuple[str, tuple[float, ...], tuple[float, ...]]:
    """Return the label along the most probable signs; each sign's highest probability and step.

    Parameters
    ----------
    probabilities : numpy.ndarray, shape (steps, CLASSES)
        Each row sums to 1.
    """
    found: list[tuple[str, float, float]] = []
    previous = BLANK
    for step, code in enumerate(probabilities.argmax(axis=1)):
        if code != BLANK:
            sign, peak = SIGNS[code - 1], float(probabilities[step, code])
            again = found and sign == found[-1][0] and (code == previous or sign in "~-")
            if not again:
                found.append((sign, peak, float(step)))
            elif peak > found[-1][1]:
                found[-1] = (sign, peak, float(step))
        previous = code
    label = "".join(sign for sign, *_ in found)
    inside = found[len(label) - len(label.lstrip(" ")) : len(label.rstrip(" "))]
    return label.strip(" "), tuple(p for _, p, _ in inside), tuple(s for *_, s in inside)


def without_dash(probabilities: Probabilities) -> Probabilities:
    """Return the probabilities where a dash is like a letter: none of the number's.

    Parameters
    ----------
    probabilities : numpy.ndarray, shape (steps, CLASSES)
    """
    result = probabilities.copy()
    result[:, _OTHER_CODE] += result[:, DASH_CODE]
    result[:, DASH_CODE] = 0.0
    return result


def string_probability(
    probabilities: Sequence[Probabilities], labels: Sequence[str]
) -> npt.NDArray[np.float64]:
    """Return for each crop the probability of its whole label.

    The sum over all paths that spell the label (the CTC forward sum). Letters and space
    before the first and after the last other sign are free: whether a unit stands beside
    the number does not make the number less sure. Point and comma count as one, as they mean
    the same. For a label of letters alone, and for the empty label, nothing is free.

    Parameters
    ----------
    probabilities : sequence of numpy.ndarray, each (steps, CLASSES)
    labels : sequence of str
        As many as there are arrays.
    """
    result = np.zeros(len(labels))
    numbered = [k for k, label in enumerate(labels) if label.strip("~ ")]
    for k in set(range(len(labels))) - set(numbered):
        result[k] = _without_number(probabilities[k], labels[k])
    if numbered:
        cores = [encode(labels[k].strip("~ ")) for k in numbered]
        result[numbered] = _forward([probabilities[k] for k in numbered], cores)
    return result


def _without_number(probabilities: Probabilities, label: str) -> float:
    nothing = float(np.prod(probabilities[:, BLANK], dtype=np.float64))
    if not label:
        return nothing
    free = probabilities[:, [BLANK, _OTHER_CODE, _SPACE_CODE]].sum(axis=1, dtype=np.float64)
    return float(np.prod(free)) - nothing


def _forward(probabilities: list[Probabilities], cores: list[list[int]]) -> npt.NDArray[np.float64]:
    """Forward sums of many crops at once; unequal lengths are padded with certain blanks."""
    steps = max(len(p) for p in probabilities)
    states = 2 * max(len(core) for core in cores) + 1
    emission = np.zeros((steps, len(cores), states))
    skip = np.zeros((len(cores), states))
    last = np.zeros(len(cores), dtype=np.intp)
    for k, (table, core) in enumerate(zip(probabilities, cores, strict=True)):
        codes = np.zeros(2 * len(core) + 1, dtype=np.intp)
        codes[1::2] = core
        emission[: len(table), k, : len(codes)] = table[:, codes]
        for place in np.flatnonzero((codes == _CODE["."]) | (codes == _CODE[","])):
            emission[: len(table), k, place] = table[:, _CODE["."]] + table[:, _CODE[","]]
        free = table[:, _OTHER_CODE] + table[:, _SPACE_CODE]
        emission[: len(table), k, 0] += free
        emission[: len(table), k, len(codes) - 1] += free
        emission[len(table) :, k, len(codes) - 1] = 1.0
        skip[k, 3 : len(codes) : 2] = codes[3::2] != codes[1:-2:2]
        last[k] = len(codes) - 1
    return _sum_paths(emission, skip, last, np.array([len(p) for p in probabilities]))


def _sum_paths(
    emission: npt.NDArray[np.float64],
    skip: npt.NDArray[np.float64],
    last: npt.NDArray[np.intp],
    lengths: npt.NDArray[np.intp],
) -> npt.NDArray[np.float64]:
    rows = np.arange(len(last))
    alpha = np.zeros(skip.shape)
    alpha[:, :2] = emission[0, :, :2]
    scale = np.zeros(len(last))
    for step in range(1, len(emission)):
        before = alpha
        alpha = before.copy()
        alpha[:, 1:] += before[:, :-1]
        alpha[:, 2:] += before[:, :-2] * skip[:, 2:]
        alpha *= emission[step]
        # Past its own end a crop's last sign has nowhere to go but into the final blank.
        ended = step == lengths
        if np.any(ended):
            sign = before[rows, last - 1]
            final = before[rows, last]
            alpha[ended] = 0.0
            alpha[rows[ended], last[ended]] = (sign + final)[ended]
        total = alpha.sum(axis=1)
        total[total == 0] = 1.0
        alpha /= total[:, None]
        scale += np.log(total)
    ends = alpha[rows, last] + np.where(lengths == len(emission), alpha[rows, last - 1], 0.0)
    return np.asarray(np.minimum(ends * np.exp(scale), 1.0))
