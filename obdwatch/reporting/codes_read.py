"""The trouble codes: what the memories held at the last reading, in plain language, and what earlier drives read."""

from __future__ import annotations

from obdwatch.errors import InputError
from obdwatch.explanations.code_life import readiness_words
from obdwatch.explanations.codes import CodeExplanation, explain, follow_first
from obdwatch.explanations.wording import ORIGIN_NOTES, URGENCY_SENTENCES, cause_words
from obdwatch.planning.words import listed, sentence
from obdwatch.records import CodeKind, Drive, Readiness
from obdwatch.reporting.document import Block, Bullets, Paragraph, Section, Subheading, Table, Tone
from obdwatch.reporting.facts import CarFacts, CodesRead
from obdwatch.reporting.words import capital, counted, day, drive_of

MEMORIES = {
    CodeKind.STORED: "Stored (confirmed; the engine lamp is or was on for it)",
    CodeKind.PENDING: "Pending (seen, not confirmed yet)",
    CodeKind.PERMANENT: "Permanent (erasing does not remove it; only the car's own self-check does)",
}
MOST_CAUSES = 4


def codes_section(facts: CarFacts) -> Section:
    """Word the codes of the last reading and those of earlier ones."""
    drive = facts.codes[0].drive if facts.codes else None
    if drive is None:
        return Section("Trouble codes", (Paragraph("Unknown: no drive has read the memories of trouble codes yet."),))
    newest = facts.codes[0]
    blocks: list[Block] = [Paragraph(f"As read in {drive_of(newest.session, facts.units)}.", Tone.QUIET)]
    blocks.append(Bullets(tuple(_memory(drive, kind) for kind in CodeKind)))
    blocks += [Paragraph(text) for text in _self_checks(drive)]
    codes = list(dict.fromkeys(one.code for one in drive.codes))
    known = [found for code in codes if (found := _explained(code)) is not None]
    for advice in follow_first([one.code for one in known], facts.car.bank_cylinders or ()):
        before = f" before {listed(advice.before)}" if advice.before else ""
        blocks.append(Paragraph(f"Follow first: {listed(advice.follow)}{before}. {advice.reason}"))
    for one in known:
        blocks += _code(one)
    return Section("Trouble codes", (*blocks, *_earlier(facts.codes[1:], set(codes))))


def _memory(drive: Drive, kind: CodeKind) -> str:
    codes = list(dict.fromkeys(one.code for one in drive.codes if one.kind is kind))
    if codes:
        return f"{MEMORIES[kind]}: {listed(codes)}."
    if kind in drive.codes_read:
        return f"{capital(kind.value)}: none. This was read, and it is empty."
    return f"{capital(kind.value)}: unknown. These codes were not read."


def _self_checks(drive: Drive) -> list[str]:
    latest = {one.ecu: one for one in sorted(drive.readiness, key=lambda one: one.t) if not one.this_cycle}
    units = [one for one in latest.values() if any(supported for supported, _ in one.monitors.values())]
    return [_self_check(one, alone=len(units) == 1) for one in units]


def _self_check(one: Readiness, alone: bool) -> str:
    """What one control unit says; which one it is matters only beside others."""
    unit = "" if alone or one.ecu is None else f"Control unit {one.ecu:X}: "
    off = "the engine lamp is off. " if alone else "it does not ask for the engine lamp. "
    lamp = {True: "the engine lamp is on. ", False: off, None: ""}[one.lamp_on]
    return capital(f"{unit}{lamp}{' '.join(readiness_words(one))}")


def _explained(code: str) -> CodeExplanation | None:
    try:
        return explain(code)
    except InputError:
        return None


def _code(one: CodeExplanation) -> list[Block]:
    blocks: list[Block] = [Subheading(f"{one.code}: {one.title}")]
    blocks.append(Paragraph(f"{one.meaning} {URGENCY_SENTENCES[one.urgency]} May it be driven? {one.may_drive}"))
    if one.causes:
        causes = "; ".join(cause_words(cause) for cause in one.causes[:MOST_CAUSES])
        blocks.append(Paragraph(f"Usual causes, the most likely first: {causes}."))
    if one.first_checks:
        blocks.append(Paragraph(f"Check first: {sentence(one.first_checks[0])}"))
    blocks += [Paragraph(caution, Tone.CAUTION) for caution in one.cautions]
    if one.origin in ORIGIN_NOTES:
        blocks.append(Paragraph(ORIGIN_NOTES[one.origin], Tone.QUIET))
    return blocks


def _earlier(reads: tuple[CodesRead, ...], now: set[str]) -> list[Block]:
    """Codes that earlier drives read, with when; those that are gone tell what was there once."""
    if not reads:
        return []
    seen: dict[str, list[str]] = {}
    kinds: dict[str, dict[str, None]] = {}
    for read in reads:
        for one in read.codes:
            if (when := day(read.session.started_at)) not in seen.setdefault(one.code, []):
                seen[one.code].append(when)
            kinds.setdefault(one.code, {})[one.kind.value] = None
    title = f"Codes of the {counted(len(reads), 'reading')} before" if len(reads) > 1 else "Codes of the reading before"
    if not seen:
        return [Subheading(title), Paragraph("No code was read in any of them.")]
    rows = tuple(
        (
            code,
            found.title if (found := _explained(code)) is not None else "no standard code",
            listed(list(kinds[code])),
            f"{'; '.join(days)}{'' if code in now else ' (not there any more)'}",
        )
        for code, days in seen.items()
    )
    columns = ("Code", "What it says", "Memory", "Read on")
    return [Subheading(title), Table(columns, rows, (0.8, 2, 1, 1.8), "Codes of earlier drives")]
