"""The state of a car in one sentence, what the report rests on, and the parts by risk with reasons."""

from __future__ import annotations

from obdwatch.explanations.part_names import part_name
from obdwatch.parts.risk_words import is_old, percent
from obdwatch.parts.state_words import state_sentence
from obdwatch.planning.words import distance as ahead
from obdwatch.records import PartRisk
from obdwatch.reporting.document import Block, Bullets, Paragraph, Section, Subheading, Table, Tone
from obdwatch.reporting.facts import CarFacts
from obdwatch.reporting.words import capital, counted, day, odometer
from obdwatch.units import distance_text, quantity

MOST_REASONS = 5
HORIZONS = (1_000, 5_000, 10_000)  # miles


def state_section(facts: CarFacts) -> Section:
    """Word the state in one sentence, and what it rests on."""
    blocks: list[Block] = [Paragraph(_sentence(facts), Tone.LEAD), Paragraph(_rests_on(facts), Tone.QUIET)]
    blocks += [Paragraph(text, Tone.QUIET) for text in facts.remarks]
    return Section("The state in one sentence", tuple(blocks))


def _sentence(facts: CarFacts) -> str:
    if not facts.sessions:
        return "No drive of this car has been recorded yet, so what follows rests on its distance and its log alone."
    if facts.latest is None:
        return "Drives of this car were recorded, but none has been analysed yet, so no part can be cleared or blamed."
    return state_sentence(facts.said[facts.latest.id], facts.risks)


def _rests_on(facts: CarFacts) -> str:
    told = f"Its log has {counted(len(facts.events), 'entry')}.".replace("entrys", "entries")
    if not facts.sessions:
        return f"{told} A percentage is the probability that the part is worn."
    dated = [one.started_at for one in facts.sessions if one.started_at is not None]
    when = f" from {day(min(dated))} to {day(max(dated))}" if dated else ""
    unread = sum(1 for one in facts.sessions if not facts.said[one.id])
    left = f" ({unread} of them not analysed yet: obdwatch analyse --all)" if unread else ""
    km = facts.odometer_km
    at = f" The odometer was last read at {odometer(km, facts.units)}." if km is not None else ""
    drives = f"This rests on {counted(len(facts.sessions), 'recorded drive')}{when}{left}."
    return f"{drives}{at} {told} A percentage is the probability that the part is worn."


def car_section(facts: CarFacts, identity: str) -> Section:
    """Word what kind of car it is, as far as its profile tells; `identity` stands for its identification number."""
    car = facts.car
    engine = [
        f"{car.cylinders} cylinders" if car.cylinders else "",
        f"{car.layout} engine" if car.layout else "",
        quantity(car.displacement_l, "L", facts.units) if car.displacement_l else "",
        (car.induction or "").replace("_", " "),
    ]
    rows = [
        ("Engine", ", ".join(text for text in engine if text)),
        ("Fuel", (car.fuel or "").upper() if car.fuel in ("e10", "e85") else car.fuel or ""),
        ("Gearbox", (car.transmission or "").replace("_", " ")),
        ("Odometer", odometer(facts.odometer_km, facts.units) if facts.odometer_km is not None else ""),
        ("Identification number (VIN)", identity),
    ]
    known = tuple((name, text or "not known") for name, text in rows)
    return Section("The car", (Table(("What", "As far as is known"), known, (1, 2), "What is known of the car"),))


def parts_section(facts: CarFacts) -> Section:
    """Word the parts by risk: the suspected with reasons, those old by distance, and the others."""
    suspected = facts.suspected
    old = [risk for risk in facts.risks if is_old(risk)]
    rest = [risk for risk in facts.risks if risk not in suspected and risk not in old]
    blocks: list[Block] = []
    if suspected:
        blocks += [_table(facts, suspected)]
        blocks += [block for risk in suspected for block in _reasons(facts, risk)]
    else:
        blocks.append(Paragraph("Nothing that was seen points to a worn part."))
    if old:
        blocks.append(Subheading("Likely worn by their distance alone"))
        blocks.append(Paragraph("Nothing was seen of these; they have simply run far for such a part."))
        blocks.append(Bullets(tuple(_short(facts, risk) for risk in old)))
    if rest:
        blocks.append(Subheading("The other parts"))
        names = [f"{part_name(risk.part)} {percent(risk.degraded)}" for risk in rest]
        blocks.append(Paragraph(f"{capital('; '.join(names))}."))
    return Section("The parts by risk", tuple(blocks))


def _table(facts: CarFacts, risks: tuple[PartRisk, ...]) -> Table:
    within = [f"Fails within {ahead(miles, facts.units)}" for miles in HORIZONS]
    rows = tuple(
        (
            capital(part_name(risk.part)),
            percent(risk.degraded),
            *(percent(risk.failure_within_miles[miles]) for miles in HORIZONS),
        )
        for risk in risks
    )
    return Table(
        ("Part", "Worn now", *within), rows, (2.4, 1, 1, 1, 1), "Suspected parts and how likely they fail",
        frozenset({1, 2, 3, 4}),
    )  # fmt: skip


def _reasons(facts: CarFacts, risk: PartRisk) -> list[Block]:
    part = facts.catalogue.parts.get(risk.part)
    said = [
        f"{'For' if one.likelihood_ratio > 1.0 else 'Against'}: {one.reason}" for one in risk.reasons[:MOST_REASONS]
    ]
    blocks: list[Block] = [Subheading(f"{capital(part_name(risk.part))}: {percent(risk.degraded)}")]
    blocks.append(Paragraph(f"{_run(facts, risk)} By its distance alone it would be {percent(risk.prior)}."))
    blocks.append(Bullets(tuple(said)))
    if risk.decided_by:
        blocks.append(Paragraph(f"What would decide: {risk.decided_by}"))
    if part is not None:
        blocks.append(Paragraph(f"If ignored: {part.consequence}"))
    return blocks


def _run(facts: CarFacts, risk: PartRisk) -> str:
    if risk.since_new_km is None:
        return "How far it has run is not known."
    run = f"It has run {distance_text(risk.since_new_km, facts.units)}"
    return f"{run}." if risk.age_known else f"{run}, if it is as old as the car; nobody has said when it was new."


def _short(facts: CarFacts, risk: PartRisk) -> str:
    return f"{capital(part_name(risk.part))}, {percent(risk.degraded)}. {_run(facts, risk)}"
