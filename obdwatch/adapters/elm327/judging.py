"""From an interpreted reply to exchanges: every outcome gets its status, and only a checked answer gets a payload."""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.adapters.elm327.conditions import Condition
from obdwatch.adapters.elm327.interpreting import RESPONSE_PENDING, Message, Reply
from obdwatch.adapters.elm327.transport import RawReply
from obdwatch.decoding.replies import SUPPORT_STEP, check_reply, split_parameters
from obdwatch.errors import NegativeReply, ReplyError, ShortReply
from obdwatch.records import Exchange, ReplyStatus

CURRENT_DATA_REPLY = 0x41
Claims = Mapping[int, frozenset[int]]
_BROKEN = frozenset({Condition.BUS_ERROR, Condition.DISCONNECTED, Condition.RESET, Condition.STOPPED})


def judge(request: bytes, raw: RawReply, reply: Reply, can: bool, claims: Claims | None = None) -> tuple[Exchange, ...]:
    """One exchange per control unit that answered, and one without for what was lost or if nobody did.

    `claims` are the service 01 ids each control unit said it supports: an answer beyond them names a wrong sender.
    """
    answered = tuple(_answered(request, raw, message, can, claims or {}) for message in reply.messages)
    if answered and not reply.damaged:
        return answered
    return (*answered, _unanswered(request, raw, reply))


def _answered(request: bytes, raw: RawReply, message: Message, can: bool, claims: Claims) -> Exchange:
    status, code = _status_of(request, message.payload, can)
    if status is ReplyStatus.OK and not _claimed(message, claims):
        status = ReplyStatus.WRONG_REPLY
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


def _claimed(message: Message, claims: Claims) -> bool:
    if message.payload[0] != CURRENT_DATA_REPLY or message.ecu not in claims:
        return True
    answered = {pid for pid, _ in split_parameters(message.payload)}
    return all(pid in claims[message.ecu] or pid % SUPPORT_STEP == 0 for pid in answered)


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
