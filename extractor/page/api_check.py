"""Reading the clips, and checking what was read."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from flask import Blueprint, Response

from extractor.errors import ClipError, UsageError
from extractor.page import request_parsing as sent
from extractor.page.api_clips import as_picture
from extractor.page.service import desk
from extractor.review.cards import Card, cards_of, disagreements, is_open, ranked
from extractor.review.checked import (
    VERDICTS,
    Checked,
    error_rate,
    sample,
    with_verdicts,
)
from extractor.review.pictures import shown_box
from extractor.session import corrections_editing
from extractor.session.folder import Session
from extractor.session.numerals import parse_number
from extractor.session.overlay import Field
from extractor.tabulation import doubted_digits

MOST_CARDS = 240
#: Instants that one answer may be about.
MOST_CHANGES = 500
SEEN_FIRST = 16
SAMPLE_SEED = 20
MOST_SAMPLED = 1000


routes = Blueprint("check", __name__)


@routes.post("/api/read")
def read() -> Any:
    """Begin to read what is new or changed."""
    return desk().read_clips(again=sent.values().get("again") is True).as_json()


@routes.post("/api/cancel")
def cancel() -> Any:
    """Ask a piece of work to stop."""
    task = desk().task(sent.text("kind"))
    if task is not None:
        task.cancel()
    return {}


@routes.get("/api/check")
def check() -> Any:
    """Return readings to look at: the doubtful ones, or a random sample."""
    session = desk().session()
    item = desk().field(session, sent.values().get("field"))
    cards = _cards(session, item)
    if sent.text("mode") == "sample":
        chosen = _sampled(session, item, cards)
        counted = sum(len(c.times) for c in cards if c.flag == "ok")
        about = {"readings": counted, **_proof(chosen)}
    else:
        with_verdicts(cards, Checked(session).verdicts(item.name))
        doubtful = ranked(cards)
        open_ = [c for c in doubtful if is_open(c)]
        chosen = (doubtful if sent.text("done") == "1" else open_)[:MOST_CARDS]
        about = {"open": len(open_), "doubtful": len(doubtful)}
        about["readings"] = sum(len(c.times) for c in cards)
    _fetch(session, item, chosen)
    return {"cards": [asdict(c) for c in chosen], **about}


@routes.get("/api/crop")
def crop() -> Response:
    """Return the picture that a reading was read from."""
    session, name = desk().find(sent.values().get("clip"))
    item = desk().field(session, sent.values().get("field"))
    time_s = max(0.0, sent.number("t"))
    clip = desk().probe(session, name)
    return as_picture(desk().crops.get(clip, shown_box(item, clip), time_s), "image/png")


def _cards(session: Session, item: Field) -> list[Card]:
    corrections, doubts = session.corrections(), doubted_digits.load(session)
    cards = []
    for name in session.measured:
        known = desk().known(session, name)
        made = desk().series(session, name, [item])
        if known is None or made is None:
            continue
        series, second = made.series[item.name], disagreements(known, item.name)
        cards += cards_of(name, item.name, series, corrections, second, item.decimals, doubts)
    return cards


def _sampled(session: Session, item: Field, cards: list[Card]) -> list[Card]:
    count = int(min(max(sent.number("n", 100), 1), MOST_SAMPLED))
    chosen = sample(cards, count, SAMPLE_SEED)
    with_verdicts(chosen, Checked(session).verdicts(item.name, "sample"))
    return chosen


def _proof(cards: list[Card]) -> dict[str, Any]:
    verdicts = [c.verdict for c in cards]
    judged = verdicts.count("right") + verdicts.count("wrong")
    rate = error_rate(verdicts.count("wrong"), judged)
    return {"unclear": verdicts.count("unclear"), "rate": asdict(rate) if rate else None}


def _fetch(session: Session, item: Field, cards: list[Card]) -> None:
    """Have the crops decoded: those seen first, then the others, clip by clip."""
    for part in (cards[:SEEN_FIRST], cards[SEEN_FIRST:]):
        times: dict[str, list[float]] = {}
        for card in part:
            times.setdefault(card.clip, []).append(card.times[0])
        for name, wanted in times.items():
            try:
                clip = desk().probe(session, name)
                desk().crops.fetch(clip, shown_box(item, clip), wanted)
            except ClipError:
                continue  # its card shows no picture


@routes.post("/api/judge")
def judge() -> Any:
    """Write down an answer: corrections at once, and what was said of the reading."""
    session, name = desk().find(sent.values().get("clip"))
    item = desk().field(session, sent.values().get("field"))
    verdict, mode, text = sent.texts("verdict", "mode", "text")
    if verdict not in ("", *VERDICTS) or mode not in ("doubtful", "sample"):
        raise UsageError("that is no answer")
    changes = _changes()
    times = [sent.as_number(t, "t") for t in _times()]
    for _, _, now in changes:
        _check_limits(item, now)
    with session.editing():
        if changes:
            corrections_editing.correct(session, name, item.name, changes)
        Checked(session).note((name, item.name, text), times, verdict, mode)
    if changes:
        desk().refresh_soon()
    return {} if mode == "doubtful" else _proof(_sampled(session, item, _cards(session, item)))


def _check_limits(item: Field, now: str | None) -> None:
    number = parse_number(now or "")
    objection = "" if number is None else item.objection(number)
    if objection:
        raise UsageError(f"{objection}; put the number right, or the limits under Mark")


def _times() -> list[Any]:
    times = sent.values().get("times")
    if not isinstance(times, list) or not 0 < len(times) <= MOST_CHANGES:
        raise UsageError("which readings the answer is about is not clear; reload the page")
    return times


def _changes() -> list[tuple[float, str | None, str | None]]:
    changes = sent.values().get("changes", [])
    if not isinstance(changes, list) or len(changes) > MOST_CHANGES:
        raise UsageError("too many changes at once")
    found = []
    for one in changes:
        if not isinstance(one, list) or len(one) != 3:
            raise UsageError("a change is not understood; reload the page")
        before, now = (None if v is None else sent.as_text(v, "value") for v in one[1:])
        found.append((sent.as_number(one[0], "time"), before, now))
    return found
