"""Reading the clips, and checking what was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from flask import Blueprint, Response, request

from extractor.errors import ClipError, UsageError
from extractor.page import request_parsing as sent
from extractor.page.api_clips import as_picture
from extractor.page.service import Desk, UnknownNameError, plain
from extractor.review.cards import Card, cards_of, disagreements, is_open, ranked
from extractor.review.checked import (
    CHECKED_FILE,
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


def blueprint(desk: Desk) -> Blueprint:
    """Return the routes."""
    routes = Blueprint("check", __name__)

    @routes.post("/api/read")
    def read() -> Any:
        again = sent.body().get("again") is True
        return plain(desk.read_clips(again=again).as_json())

    @routes.post("/api/cancel")
    def cancel() -> Any:
        task = desk.task(sent.text(sent.body(), "kind"))
        if task is not None:
            task.cancel()
        return {}

    @routes.get("/api/check")
    def check() -> Any:
        session = desk.session()
        item = desk.field(session, request.args.get("field"))
        if request.args.get("mode") == "sample":
            count = int(min(max(sent.number(request.args, "n", 100), 1), MOST_SAMPLED))
            return plain(_sample(desk, session, item, count))
        return plain(_doubtful(desk, session, item, done=request.args.get("done") == "1"))

    @routes.get("/api/crop")
    def crop() -> Response:
        session, name = desk.find(request.args.get("clip"))
        item = desk.field(session, request.args.get("field"))
        time_s = max(0.0, sent.number(request.args, "t"))
        clip = desk.probe(session, name)
        box = shown_box(item, clip)
        return as_picture(desk.crops.get(clip, box, time_s), "image/png")

    @routes.post("/api/judge")
    def judge() -> Any:
        return plain(_judge(desk, sent.body()))

    return routes


def _cards(desk: Desk, session: Session, item: Field) -> list[Card]:
    corrections = [c for c in session.corrections() if c.field == item.name]
    doubts = [d for d in doubted_digits.load(session) if d.field == item.name]
    cards = []
    for name in session.clips:
        known = desk.known(session, name)
        made = desk.series(session, name, [item])
        if known is None or made is None:
            continue
        own = [c for c in corrections if c.clip == name]
        series, second = made.series[item.name], disagreements(known, item.name)
        about = [d for d in doubts if d.concerns(name)]
        cards += cards_of(name, item.name, series, own, second, item.decimals, about)
    return cards


def _checked(session: Session) -> Checked:
    return Checked(session.results / CHECKED_FILE)


def _doubtful(desk: Desk, session: Session, item: Field, *, done: bool) -> dict[str, Any]:
    cards = _cards(desk, session, item)
    with_verdicts(cards, _checked(session).verdicts(item.name))
    doubtful = ranked(cards)
    open_ = [c for c in doubtful if is_open(c)]
    chosen = (doubtful if done else open_)[:MOST_CARDS]
    _fetch(desk, session, item, chosen)
    return {
        "cards": [c.as_json() for c in chosen],
        "open": len(open_),
        "doubtful": len(doubtful),
        "readings": sum(len(c.times) for c in cards),
    }


def _sample(desk: Desk, session: Session, item: Field, count: int) -> dict[str, Any]:
    cards = _cards(desk, session, item)
    chosen = sample(cards, count, SAMPLE_SEED)
    with_verdicts(chosen, _checked(session).verdicts(item.name, "sample"))
    _fetch(desk, session, item, chosen)
    counted = sum(len(c.times) for c in cards if c.flag == "ok")
    return {"cards": [c.as_json() for c in chosen], "readings": counted, **_proof(chosen)}


def _proof(cards: list[Card]) -> dict[str, Any]:
    verdicts = [c.verdict for c in cards]
    judged = verdicts.count("right") + verdicts.count("wrong")
    rate = error_rate(verdicts.count("wrong"), judged)
    return {"unclear": verdicts.count("unclear"), "rate": asdict(rate) if rate else None}


def _fetch(desk: Desk, session: Session, item: Field, cards: list[Card]) -> None:
    """Have the crops decoded: those seen first, then the others, clip by clip."""
    for part in (cards[:SEEN_FIRST], cards[SEEN_FIRST:]):
        times: dict[str, list[float]] = {}
        for card in part:
            times.setdefault(card.clip, []).append(card.times[0])
        for name, wanted in times.items():
            try:
                clip = desk.probe(session, name)
                desk.crops.fetch(clip, shown_box(item, clip), wanted)
            except ClipError:
                continue  # its card shows no picture


def _judge(desk: Desk, values: Mapping[str, Any]) -> dict[str, Any]:
    """Write down an answer: corrections at once, and what was said of the reading."""
    session, name = desk.find(values.get("clip"))
    item = desk.field(session, values.get("field"))
    verdict, mode = sent.text(values, "verdict"), sent.text(values, "mode")
    if verdict not in ("", *VERDICTS) or mode not in ("doubtful", "sample"):
        raise UsageError("that is no answer")
    text, changes = sent.text(values, "text"), _changes_of(values)
    times = [sent.number({"t": t}, "t") for t in _times_of(values)]
    for _, _, now in changes:
        _check_limits(item, now)
    with session.editing():
        if changes:
            corrections_editing.correct(session, name, item.name, changes)
        checked = _checked(session)
        checked.note((name, item.name, text), times, verdict, mode)
    if changes:
        desk.refresh_soon()
    if mode == "doubtful":
        return {}
    count = int(sent.number(values, "n", 100))
    cards = sample(_cards(desk, session, item), min(max(count, 1), MOST_SAMPLED), SAMPLE_SEED)
    with_verdicts(cards, checked.verdicts(item.name, "sample"))
    return _proof(cards)


def _check_limits(item: Field, now: str | None) -> None:
    number = parse_number(now or "")
    objection = "" if number is None else item.objection(number)
    if objection:
        raise UsageError(f"{objection}; put the number right, or the limits under Mark")


def _times_of(values: Mapping[str, Any]) -> list[Any]:
    times = values.get("times")
    if not isinstance(times, list) or not 0 < len(times) <= MOST_CHANGES:
        raise UsageError("which readings the answer is about is not clear; reload the page")
    return times


def _changes_of(values: Mapping[str, Any]) -> list[tuple[float, str | None, str | None]]:
    changes = values.get("changes", [])
    if not isinstance(changes, list) or len(changes) > MOST_CHANGES:
        raise UsageError("too many changes at once")
    found = []
    for one in changes:
        if not isinstance(one, list) or len(one) != 3:
            raise UsageError("a change is not understood; reload the page")
        time_s = sent.number({"time": one[0]}, "time")
        before, now = (None if v is None else sent.text({"value": v}, "value") for v in one[1:])
        found.append((time_s, before, now))
    return found


def item_of(desk: Desk, session: Session, name: object) -> Field:
    """Return the field asked for, the first where none is named.

    Raises
    ------
    UnknownNameError
        If nothing is marked or there is no such field.
    """
    overlay = desk.overlay(session)
    if overlay is None:
        raise UnknownNameError("nothing is marked yet")
    return overlay.fields[0] if name is None else desk.field(session, name)
