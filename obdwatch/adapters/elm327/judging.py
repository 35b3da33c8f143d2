"""From an interpreted reply to exchanges: every outcome gets its status, and only a checked answer gets a payload."""

from __future__ import annotations

from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.interpreting import RESPONSE_PENDING, Message, Reply
from obdwatch.adapters.elm327.transport import RawReply
from obdwatch.decoding.replies import check_reply
from obdwatch.errors import NegativeReply, ReplyError, ShortReply
from obdwatch.records import Exchange, ReplyStatus

_BROKEN = frozenset({Condition.BUS_ERROR, Condition.DISCONNECTED, Condition.RESET, Condition.STOPPED})


def judge(request: bytes, raw: RawReply, reply: Reply, can: bool) -> tuple[Exchange, ...]:
    """One exchange per control unit that answered, and one without for what was lost or if nobody did."""
    answered = tuple(_answered(request, raw, message, can) for message in reply.messages)
    if answered and not reply.damaged:
        return answered
    return (*answered, _unanswered(request, raw, reply))


def _answered(request: bytes, raw: RawReply, message: Message, can: bool) -> Exchange:
    status, code = _status_of(request, message.payload, can)
    good = status is ReplyStatus.OK
    return Exchange(
        t=raw.sent_at,
        latency=raw.latency,
        request=request,
        ecu=message.ecu,
        status=status,
        payload=message.payload if good else None,
        negative_code=code,
        raw=None if good else raw.text,
    )


def _status_of(request: bytes, payload: bytes, can: bool) -> tuple[ReplyStatus, int | None]:
    try:
        check_reply(request, payload, can)
    except NegativeReply as refusal:
        return ReplyStatus.NEGATIVE, refusal.code
    except ShortReply:
        return ReplyStatus.SHORT, None
    except ReplyError:
        return ReplyStatus.WRONG_REPLY, None
    return ReplyStatus.OK, None


def _unanswered(request: bytes, raw: RawReply, reply: Reply) -> Exchange:
    status = _silence(raw, reply)
    waiting = status is ReplyStatus.NEGATIVE
    return Exchange(
        t=raw.sent_at,
        latency=raw.waited,
        request=request,
        ecu=min(reply.pending) if waiting else None,
        status=status,
        negative_code=RESPONSE_PENDING if waiting else None,
        raw=raw.text,
    )


def _silence(raw: RawReply, reply: Reply) -> ReplyStatus:
    """Why a reply holds no answer, the surest reason first."""
    if reply.conditions & _BROKEN:
        return ReplyStatus.BUS_ERROR
    if not raw.complete or reply.empty:
        return ReplyStatus.TIMEOUT
    if reply.pending:
        return ReplyStatus.NEGATIVE
    if Condition.NO_DATA in reply.conditions and not reply.damaged:
        return ReplyStatus.NO_DATA
    return ReplyStatus.WRONG_REPLY
