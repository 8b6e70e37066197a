"""Turns a notice into what a lock screen shows: a title, and sentences that begin with the news."""

from __future__ import annotations

from collections.abc import Collection
from datetime import timedelta
from typing import Final

from controller.notices.notice import Notice, NoticeKind
from controller.notices.two_minutes import TWO_MINUTES_S
from controller.texts import Value, text, text_or_none

LATE_S: Final = 120.0
"""A message older than this says so, s."""


def title_of(notice: Notice) -> str:
    """Return the title: the bench and the piece."""
    bench = notice.bench or text("message.title.unnamed_bench")
    if not notice.piece:
        return text("message.title.bench", bench=bench)
    return text("message.title.bench_and_piece", bench=bench, piece=notice.piece)


def body_of(notice: Notice, on: Collection[NoticeKind], age_s: float) -> str:
    """Return what happened and what to do.

    :param on: the kinds that are sent; the next message can only be one of these.
    :param age_s: time since the notice came, s.
    """
    parts = [_news(notice)]
    if notice.found is not None and notice.case != "welded":
        finding = notice.found.finding
        parts += [_whole(str(finding.title)), _what(notice), str(finding.advice)]
    if notice.kind is NoticeKind.STARTED and age_s <= LATE_S:
        parts.append(_expected(notice, on))
    if notice.kind is not NoticeKind.TEST and age_s > LATE_S:
        parts.append(text("message.late", minutes=round(age_s / 60.0)))
    return " ".join(part for part in parts if part)


def _news(notice: Notice) -> str:
    key = f"message.{notice.kind.value}.{notice.case}"
    values: dict[str, Value] = {
        name: value
        for name in ("depth_mm", "gauge_stop_mm", "bath_degc")
        if (value := getattr(notice, name)) is not None
    }
    if notice.remaining_s is not None:
        values["minutes"] = max(1, round(notice.remaining_s / 60.0))
    for form in (key, f"{key}_without_figures"):
        sentence = text_or_none(form, **values)
        if sentence is not None and not sentence.startswith(form):
            return sentence
    return text("message.unknown", kind=notice.kind.value)


def _what(notice: Notice) -> str:
    """Return value and limit in a sentence, or nothing where the cause is needed for it."""
    if notice.found is None:
        return ""
    what = notice.found.finding.what
    sentence = str(what)
    return "" if sentence.startswith(what.key) else sentence


def _whole(title: str) -> str:
    return title if title.endswith((".", "!", "?")) else f"{title}."


def _expected(notice: Notice, on: Collection[NoticeKind]) -> str:
    """Return when the next message is expected, or nothing when none can be promised.

    It is the planned time, multiplied by the rig's own tolerance. By then the run has finished,
    paused or been ended by its ceiling, and a live rig has said so.
    """
    waits_s = []
    if notice.remaining_s is not None and NoticeKind.FINISHED in on:
        waits_s.append(notice.remaining_s)
        if NoticeKind.TWO_MINUTES_LEFT in on and notice.remaining_s > TWO_MINUTES_S:
            waits_s.append(notice.remaining_s - TWO_MINUTES_S)
    if notice.until_stop_s is not None and NoticeKind.GAUGE_STOP in on:
        waits_s.append(notice.until_stop_s)
    if not waits_s or not {NoticeKind.PAUSED, NoticeKind.STOPPED, NoticeKind.TRIPPED} <= set(on):
        return ""
    wait_s = min(waits_s) * notice.late_fraction + 60.0
    minutes = -int(-wait_s // 60.0)
    if notice.at_utc is None:
        return text("message.expected.within", minutes=minutes)
    by = (notice.at_utc + timedelta(minutes=minutes)).astimezone()
    return text("message.expected.by", time=f"{by:%H:%M}", minutes=minutes)
