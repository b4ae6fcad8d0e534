"""Readings -> flagged series: which numbers are the reader's or the recorder's, not the link's.

Only flags are added, and only to readings that are `ok`: no row goes, no number and no text
changes. A real dropout is data: what counts against a reading is that the display cannot have
shown it, never that it is far from the others. Rules, windows and thresholds are explained in
``docs/method.md``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from extractor.session.numerals import decimals_in
from extractor.statistics.flags import Flag
from extractor.statistics.hold_times import Holds, hampel_outliers, holds_of
from extractor.statistics.sampling import Bools, Floats, stretches
from extractor.statistics.series import check_series, display_step, usual_decimals

if TYPE_CHECKING:
    import pandas as pd

    from extractor.session.overlay import Field

#: Above this share of confident readings out of range, the limits are doubted.
DOUBTED_RANGE_SHARE = 0.005
#: Fewer separate numbers than this never cast doubt on limits or decimals: one misread that is
#: held for half a second is already 0.8 % of a minute.
DOUBTED_LEAST_HOLDS = 3
#: A reading is confident from here on.
CONFIDENT = 0.9
#: Above this share of readings in another form, the field's decimals are doubted.
DOUBTED_FORMAT_SHARE = 0.02
#: Shown for less than this share of the usual hold: the display cannot have shown it.
SPIKE_HOLD_SHARE = 0.5
#: Hampel identifier on the held values: this many numbers to either side ...
HAMPEL_HALF_WINDOW = 3
#: ... and this many scaled median absolute deviations.
HAMPEL_THRESHOLD = 3.0
#: Without this many complete holds the usual hold is not known and no spike is looked for.
SPIKE_LEAST_HOLDS = 8
#: A picture that stands still for longer than this is frozen.
FROZEN_S = 1.0
#: Readings to either side that a lost point is compared with.
LOST_POINT_WINDOW = 10
#: A reading is a lost point where the number with its point put back is within this factor of
#: the numbers around it, and the number as read is not.
LOST_POINT_FACTOR = 2.0


@dataclass(frozen=True)
class Cleaned:
    """A series with its new flags and what the user should know about them."""

    series: pd.DataFrame
    """The same rows; only ``flag`` differs."""
    notes: tuple[str, ...]
    """Whole sentences without the field's name; empty where there is nothing to say."""


def clean_clip(
    series_by_field: Mapping[str, pd.DataFrame],
    fields: Sequence[Field],
    *,
    frame_s: float | None = None,
) -> dict[str, Cleaned]:
    """Clean all fields of one clip.

    `frozen` needs them together: a picture that stands still while any number changes is not
    frozen. The series share their rows; see `clean` for the columns and errors.

    Parameters
    ----------
    series_by_field : mapping of str to DataFrame
        By the field's name; a field without a series is passed over.
    fields : sequence of Field
        Their limits and decimals.
    frame_s : float, optional
        Seconds between decoded frames, see `clean`.
    """
    frozen = _frozen_rows(list(series_by_field.values()))
    return {
        field.name: _clean(series_by_field[field.name], field, frame_s, frozen)
        for field in fields
        if field.name in series_by_field
    }


def clean(series: pd.DataFrame, field: Field, *, frame_s: float | None = None) -> Cleaned:
    """Flag readings that the display cannot have shown, and numbers of a frozen picture.

    Parameters
    ----------
    series : DataFrame
        Columns ``time_s`` (rising), ``value``, ``flag``; where they exist also ``text``,
        ``since_s`` (seconds; when the number appeared), ``confidence`` (0 to 1) and ``still``
        (bool: the picture outside the fields has not changed since the sample before).
    field : Field
        `minimum`, `maximum` and `decimals` are used.
    frame_s : float, optional
        Seconds between decoded frames: ``since_s`` is only as fine as this, and a hold must be
        short by more than that.

    Returns
    -------
    Cleaned
        Its series is a copy.

    Raises
    ------
    TableError
        If columns are missing, a flag is unknown, or times do not rise.

    Examples
    --------
    >>> import pandas as pd
    >>> from extractor import Box, Field, clean, series_from_table
    >>> log = pd.DataFrame({"s": range(5), "rate": ["31.2", "30.8", "95.0", "31.0", "31.4"]})
    >>> rate = Field("rate", frame=(1600, 900), box=Box(668, 20, 147, 53), maximum=45.0)
    >>> clean(series_from_table(log, "s", "rate"), rate).series["flag"].tolist()
    ['ok', 'ok', 'range', 'ok', 'ok']
    """
    return _clean(series, field, frame_s, _frozen_rows([series]))


def _clean(series: pd.DataFrame, field: Field, frame_s: float | None, frozen: Bools) -> Cleaned:
    check_series(series)
    flags = series["flag"].to_numpy(object).copy()
    values = series["value"].to_numpy(float)
    usable = (flags == Flag.OK) & np.isfinite(values)
    holds = holds_of(series, usable)
    wrong_form, odd = _wrong_form(series, usable, holds, field)
    spikes = usable & ~wrong_form & _spikes(holds, field, series, frame_s, wrong_form)
    sound = usable & ~wrong_form & ~spikes & ~frozen
    outside, far = _out_of_range(series, sound, holds, field)
    flags[outside] = str(Flag.RANGE)
    flags[spikes] = str(Flag.SPIKE)
    flags[wrong_form] = str(Flag.FORMAT)
    flags[usable & frozen] = str(Flag.FROZEN)
    notes = (odd, far, _left_out(flags))
    return Cleaned(series.assign(flag=flags), tuple(note for note in notes if note))


def _frozen_rows(all_series: Sequence[pd.DataFrame]) -> Bools:
    """Tell which rows show a frozen picture: still for over a second while no field changes.

    The picture must have moved before. Where numbers change while the picture stands still for
    longer than it stands still without them, the scene itself is still (a bench), and nothing
    is frozen.
    """
    if not all_series:
        return np.zeros(0, bool)
    first = all_series[0]
    frozen = np.zeros(len(first), bool)
    if "still" not in first:
        return frozen
    still = first["still"].fillna(False).to_numpy(bool)
    times = first["time_s"].to_numpy(float)
    alive_s = frozen_s = 0.0
    for start, stop in stretches(still):
        moved_before = start > 1 and not still[1:start].all()
        length = times[stop - 1] - times[max(start - 1, 0)]
        if length <= FROZEN_S + 1e-9:
            continue
        if any(_changes(series, max(start - 1, 0), stop) for series in all_series):
            alive_s += length
        elif moved_before:
            frozen_s += length
            frozen[start:stop] = True
    return frozen if frozen_s > alive_s else np.zeros(len(first), bool)


def _changes(series: pd.DataFrame, start: int, stop: int) -> bool:
    """Tell whether the display changed; what was not read does not count as a change."""
    part = series.iloc[start:stop]
    read = part["flag"].isin([Flag.OK, Flag.NO_LINK, Flag.CORRECTED]).to_numpy()
    shown = part["value"].to_numpy(float)[read]
    return len(np.unique(shown)) > 1


def _wrong_form(
    series: pd.DataFrame, usable: Bools, holds: Holds, field: Field
) -> tuple[Bools, str]:
    """Tell which readings stand in a form that this display does not use, and what to note.

    Where `decimals` is not given, only a lost point counts: some displays change their number
    of digits with the size of the number.
    """
    usual = field.decimals if field.decimals is not None else usual_decimals(series)
    if "text" not in series or usual is None or not usable.any():
        return np.zeros(len(series), bool), ""
    texts = series["text"].to_numpy(object).astype(str)
    unique, places = np.unique(texts, return_inverse=True)
    known = [decimals_in(text) for text in unique]
    digits = np.array([-1 if d is None else d for d in known])[places]
    other = usable & (digits >= 0) & (digits != usual)
    values = series["value"].to_numpy(float)
    lost = other & _lost_point(values, other & (digits == 0), usable & ~other, usual)
    if field.decimals is None:
        return lost, ""
    odd = other & ~lost
    share = float(odd.sum() / usable.sum())
    often = share > DOUBTED_FORMAT_SHARE and holds.count_in(odd) >= DOUBTED_LEAST_HOLDS
    if often or share > 0.5:
        return lost, (
            f"{share:.1%} of the readings do not have {usual} digits after the "
            "point; the setting is doubted, so these readings count. Check decimals."
        )
    return other, ""


def _lost_point(values: Floats, suspects: Bools, good: Bools, decimals: int) -> Bools:
    """Tell which numbers fit their neighbours once the point is put back, and only then."""
    result = np.zeros(len(values), bool)
    places = np.flatnonzero(good)
    if decimals == 0 or not len(places):
        return result
    for i in np.flatnonzero(suspects).tolist():
        at = int(np.searchsorted(places, i))
        around = np.abs(values[places[max(0, at - LOST_POINT_WINDOW) : at + LOST_POINT_WINDOW]])
        level = float(np.median(around))
        with_point = abs(values[i]) * 10.0**-decimals
        near = level / LOST_POINT_FACTOR <= with_point <= level * LOST_POINT_FACTOR
        result[i] = near and abs(values[i]) > level * LOST_POINT_FACTOR
    return result


def _spikes(
    holds: Holds, field: Field, series: pd.DataFrame, frame_s: float | None, wrong_form: Bools
) -> Bools:
    """Tell which rows hold a number that is both out of line and shown too briefly.

    `holds.longest_s` is the longest time that the number can have stood, so that what was not
    read beside it speaks for it, not against it. Times are compared in whole frames.
    """
    if holds.complete < SPIKE_LEAST_HOLDS or math.isnan(holds.usual_s):
        return np.zeros(len(series), bool)
    longest, usual = holds.longest_s, holds.usual_s
    if frame_s is not None:
        longest, usual = np.rint(longest / frame_s), float(np.rint(usual / frame_s))
    brief = longest < SPIKE_HOLD_SHARE * usual - 1e-9
    in_form = ~wrong_form[holds.first]
    out = np.zeros(len(holds.first), bool)
    step = display_step(series, field.decimals)
    out[in_form] = hampel_outliers(
        holds.values[in_form], HAMPEL_HALF_WINDOW, threshold=HAMPEL_THRESHOLD, floor=step
    )
    return holds.rows_of(out & brief, len(series))


def _out_of_range(
    series: pd.DataFrame, candidates: Bools, holds: Holds, field: Field
) -> tuple[Bools, str]:
    """Tell which readings lie outside the limits, unless it is the limits that seem wrong."""
    values, (low, high) = series["value"].to_numpy(float), field.limits
    outside = candidates & ((values < low) | (values > high))
    confident = candidates.copy()
    if "confidence" in series:
        confident &= series["confidence"].to_numpy(float) >= CONFIDENT
    sure = outside & confident
    share = float(sure.sum() / max(1, confident.sum()))
    if share <= DOUBTED_RANGE_SHARE or holds.count_in(sure) < DOUBTED_LEAST_HOLDS:
        return outside, ""
    span = f"from {values[outside].min():g} to {values[outside].max():g} {field.unit}".rstrip()
    return np.zeros(len(values), bool), (
        f"{share:.1%} of the confident readings lie outside the limits ({span}); the limits are "
        "doubted, so these readings count. Check minimum and maximum."
    )


def _left_out(flags: np.ndarray) -> str:
    reasons = {
        Flag.RANGE: "outside the limits",
        Flag.SPIKE: "shown too briefly and out of line",
        Flag.FORMAT: "not in the display's form",
        Flag.FROZEN: "from a picture that stood still",
    }
    counts = {flag: int(np.count_nonzero(flags == flag)) for flag in reasons}
    named = [f"{count} {reasons[flag]}" for flag, count in counts.items() if count]
    return f"Of {len(flags)} readings, left out: {', '.join(named)}." if named else ""
