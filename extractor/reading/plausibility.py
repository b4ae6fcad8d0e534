"""What does not fit the rest of its clip: readings that are doubted afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np
import numpy.typing as npt

from extractor.reading.number_parsing import interpret, shown
from extractor.reading.temporal_evidence import REPEATED_LEAST

#: A number that differs in one higher digit from what stood before and after it, for at most so
#: long, counts only if it was read with at least this confidence: docs/decisions.md.
EXCURSION_S = 0.45
EXCURSION_SURELY = 0.97
#: Where less than this share passes the gate, only what is read so surely counts.
MOSTLY = 0.5
MOSTLY_UNREAD_SURELY = 0.97
#: In a clip that is mostly read surely, what reads the same in so many samples in a row, in the
#: mean this surely, stands: docs/reader.md.
LASTING_SAMPLES = 3
LASTING_SURELY = 0.8
#: It is not where more than this share of the first looks are less sure than that.
UNSURE, UNSURE_MOST = 0.6, 0.05
#: With this share of the numbers of a clip on one side of zero, those on the other may be doubted.
USUAL_SIGN_SHARE = 0.6


def tempered(
    confidences: Sequence[float], first_looks: Sequence[float], usual_share: float
) -> list[float]:
    """Lower the confidences of a clip that is harder than what confidence was calibrated on.

    Confidence is a probability given one crop, among crops of which `usual_share` can be read.
    Where fewer can, each is less probably right than it says: by Bayes' rule its odds change
    with those of the share. The share of this clip is taken to be the mean of its first looks.
    Confidence is never raised: a clip is easy in most places and hard in just those that are
    doubtful.

    Parameters
    ----------
    confidences : sequence of float, length n
        Of one field of one clip, after all evidence, 0 to 1.
    first_looks : sequence of float, length n
        Of the same samples, each from its own crop alone.
    usual_share : float
        See `Reader.usual_share`; 0 changes nothing.

    Notes
    -----
    Saerens, Latinne and Decaestecker, Neural Computation 14 (2002), 21-41. Their iteration to
    find the share is left out: on hard clips it ran away to 0 (docs/decisions.md).
    """
    share = max(float(np.mean(first_looks)), 1e-3) if len(first_looks) else 1.0
    if share >= usual_share:
        return list(confidences)
    ratio = share / (1 - share) / (usual_share / (1 - usual_share))
    return [c * ratio / (c * ratio + 1 - c) for c in confidences]


def barely_read(texts: Sequence[str], confidences: Sequence[float], gate: float) -> list[int]:
    """Return the rows that pass the gate, but barely, where most others do not.

    Where lettering fades away, what is left of a number (the 1 of 180) passes now and then.
    """
    kept = [row for row, both in enumerate(zip(texts, confidences, strict=True)) if any(both)]
    passing = [row for row in kept if confidences[row] >= gate]
    if len(passing) >= MOSTLY * len(kept):
        return []
    return [row for row in passing if confidences[row] < MOSTLY_UNREAD_SURELY]


def lasting(
    texts: Sequence[str], confidences: Sequence[float], first_looks: Sequence[float], gate: float
) -> list[int]:
    """Return the rows below the gate that show what stands: the same for long, and nearly sure.

    Where a rim or a neighbour makes every reading of a field a little less sure, all of them are
    right and none passes. A face that is misread has other samples that are not sure at all, and
    none of its readings gains by this. What was doubted (half the gate) stays so.

    Parameters
    ----------
    texts, confidences, first_looks : sequences of length n
        Of one field through a clip; see `tempered`.
    gate : float
        See `Reader.gate`.
    """
    if sum(sure < UNSURE for sure in first_looks) > UNSURE_MOST * len(first_looks):
        return []
    rows = []
    for _, run in groupby(range(len(texts)), key=lambda row: shown(texts[row])):
        members = [row for row in run if confidences[row] > gate / 2]
        mean = np.mean([confidences[row] for row in members]) if members else 0.0
        if len(members) >= LASTING_SAMPLES and mean >= LASTING_SURELY:
            rows += [row for row in members if confidences[row] < gate]
    return rows


def odd_signs(texts: Sequence[str], confidences: Sequence[float], gate: float) -> list[int]:
    """Return the rows of a clip whose sign is probably not the one that was shown.

    A minus is the thinnest sign: a bright edge hides one, a streak of light fakes one. A field
    that really changes sign passes through zero; one that jumps from -75 to 75 and back to -76
    does not.
    """
    values = np.array(
        [interpret(t, c, gate).value for t, c in zip(texts, confidences, strict=True)]
    )
    signs = np.sign(values)
    odd: list[int] = []
    for sign in (1.0, -1.0):
        usual, other = np.flatnonzero(signs == sign), np.flatnonzero(signs == -sign)
        if len(other) and len(usual) >= USUAL_SIGN_SHARE * (len(usual) + len(other)):
            least = float(np.median(np.abs(values[usual]))) / 4  # near zero it may really cross
            odd += [
                row
                for row in other.tolist()
                if abs(values[row]) >= least and _fits_better_with_other_sign(row, usual, values)
            ]
    return odd


def there_and_back(
    time_s: Sequence[float], texts: Sequence[str], confidences: Sequence[float]
) -> list[int]:
    """Return the rows where one digit, not the last, was probably misread for a moment.

    A streak of light that crosses a number changes one digit of it and leaves: 0.0, 8.0, 0.0. A
    link that jumps by tens or more and comes back to the very same digits is rare beside that,
    so such a number has to be read with `EXCURSION_SURELY`.

    Parameters
    ----------
    time_s, texts, confidences : sequences of length n
        Of one field through a clip, seconds, text and 0 to 1.
    """
    runs: list[tuple[tuple[str, ...], list[int]]] = []
    for row, (text, confidence) in enumerate(zip(texts, confidences, strict=True)):
        if confidence >= REPEATED_LEAST:
            if not runs or runs[-1][0] != shown(text):
                runs.append((shown(text), []))
            runs[-1][1].append(row)
    return [
        row
        for (before, _), (brief, rows), (after, _) in zip(runs, runs[1:], runs[2:], strict=False)
        if before == after
        and _one_higher_digit_apart(" ".join(before), " ".join(brief))
        and time_s[rows[-1]] - time_s[rows[0]] <= EXCURSION_S
        and max(confidences[row] for row in rows) < EXCURSION_SURELY
        for row in rows
    ]


def _one_higher_digit_apart(one: str, other: str) -> bool:
    places = [k for k, pair in enumerate(zip(one, other, strict=False)) if pair[0] != pair[1]]
    if len(one) != len(other) or len(places) != 1:
        return False
    place = places[0]
    later = any(sign.isdigit() for sign in one[place + 1 :])
    return one[place].isdigit() and other[place].isdigit() and later


def _fits_better_with_other_sign(
    row: int, usual: npt.NDArray[np.intp], values: npt.NDArray[np.float64]
) -> bool:
    """Compare a number and its negative with the nearest numbers of the usual sign."""
    place = int(np.searchsorted(usual, row))
    beside = values[usual[max(0, place - 1) : place + 1]]
    as_read = np.abs(beside - values[row]).min()
    turned = np.abs(beside + values[row]).min()
    return bool(turned < as_read / 3)
