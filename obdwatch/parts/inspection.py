"""The guided inspection: which questions a walk round the car asks, and what the answers say of its parts.

`walk` chooses and orders the questions, `evidence_of_answers` turns the log into evidence for `risk.assess`. Answers
live in the log as entries of kind inspection with the id of their question, so a walk goes on where it was left.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from obdwatch.explanations.wording import day
from obdwatch.part_ages import Readings, odometer_at
from obdwatch.parts.inspection_gain import most_telling
from obdwatch.parts.inspection_questions import (
    ANSWERS,
    COULD_NOT_LOOK,
    NO,
    PLACES,
    YES,
    Engine,
    Question,
    Questions,
    read_questions,
)
from obdwatch.records import Car, Event, EventKind, Evidence, PartRisk

USUAL = 8  # questions of a walk: about a quarter of an hour
WALK_PAUSE = timedelta(hours=6)  # answers with longer between them belong to two walks: the engine has cooled since
FORGOTTEN = 0.03  # an answer with less weight than this says nothing any more

__all__ = [
    "ANSWERS", "COULD_NOT_LOOK", "NO", "USUAL", "YES", "Walk", "answers_of", "evidence_of_answers", "questions_for",
    "read_questions", "walk", "walk_began",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Walk:
    """A walk round the car: its questions in order, and by question id the entries of the log that answer them."""

    questions: tuple[Question, ...]
    answers: Mapping[str, Event]

    @property
    def next(self) -> Question | None:
        """The first question without an answer, None where the walk is done."""
        return next((one for one in self.questions if one.id not in self.answers), None)


def questions_for(
    car: Car | None,
    risks: Sequence[PartRisk],
    events: Iterable[Event] = (),
    *,
    costs: Mapping[str, float] | None = None,
    most: int | None = USUAL,
    odometer_km: float | None = None,
    questions: Questions | None = None,
) -> tuple[Question, ...]:
    """Return the questions worth asking of a car, in the order in which one walks.

    Chosen by expected information gain about the parts in `risks`, each weighed by what its failure costs (`costs`, in
    the user's currency); `most` None asks everything. A question whose last answer still has half of its weight is
    left out. In a walk the cold engine comes first, and one goes round it without going back.
    """
    known = questions or read_questions()
    degraded = {risk.part: risk.degraded for risk in risks}
    events = tuple(events)
    readings = _readings(events)
    now = odometer_km if odometer_km is not None else max((km for _, km in readings), default=None)
    fresh = {
        name
        for name, event in answers_of(events, known).items()
        if event.answer != COULD_NOT_LOOK and name in known.by_id and _weight(known, event, readings, now) > 0.5
    }
    open_ones = [
        one
        for one in known.by_id.values()
        if one.id not in fresh and one.fits(car) and not degraded.keys().isdisjoint(one.yes_if_degraded)
    ]
    if most is not None:
        open_ones = [one for one, _ in most_telling(open_ones, degraded, costs or {}, most)]
    return tuple(sorted(open_ones, key=lambda one: _on_the_way(one, known)))


def _on_the_way(question: Question, known: Questions) -> tuple[int, int, int]:
    places = PLACES[question.engine]
    return list(Engine).index(question.engine), places.index(question.place), list(known.by_id).index(question.id)


def walk_began(events: Iterable[Event], at: datetime) -> datetime:
    """Return when the walk that is under way at `at` (aware) began: its first answer, or `at` where there is none."""
    began = at
    for event in sorted(_answering(events), key=_order, reverse=True):
        if event.at <= at and began - event.at > WALK_PAUSE:
            break
        began = min(began, event.at)
    return began


def walk(
    car: Car | None,
    risks: Sequence[PartRisk],
    events: Iterable[Event],
    at: datetime,
    *,
    costs: Mapping[str, float] | None = None,
    most: int | None = USUAL,
    odometer_km: float | None = None,
    questions: Questions | None = None,
) -> Walk:
    """Return the walk under way at `at` (aware), or a new one.

    `risks` are those from before the walk began (`walk_began`), so that its questions stay the same while they are
    answered. What was answered besides them is part of the walk, too.
    """
    known = questions or read_questions()
    events = tuple(events)
    began = walk_began(events, at)
    before = [event for event in events if event.at < began]
    given = answers_of((event for event in events if event.at >= began), known)
    answers = {name: event for name, event in given.items() if name in known.by_id}
    asked = questions_for(car, risks, before, costs=costs, most=most, odometer_km=odometer_km, questions=known)
    besides = [known.by_id[name] for name in answers if name not in {one.id for one in asked}]
    ordered = sorted((*asked, *besides), key=lambda one: _on_the_way(one, known))
    return Walk(tuple(ordered), answers)


def answers_of(events: Iterable[Event], questions: Questions | None = None) -> dict[str, Event]:
    """Return by question id the entry that answers it now: the last one, unless a repair has ended it.

    Renewing any part that a question speaks for ends a "yes": what was seen had its cause, and one must look again. A
    "no" ends only for the parts renewed, which `evidence_of_answers` sees to.
    """
    known = (questions or read_questions()).by_id
    found: dict[str, Event] = {}
    for event in sorted(events, key=_order):
        if event.kind is EventKind.REPAIR and event.part:
            part = event.part.partition(":")[0]
            ended = [q for q, one in found.items() if one.answer == YES and part in _parts(known.get(q), one)]
            for question in ended:
                del found[question]
        elif event.kind is EventKind.INSPECTION and event.question and event.answer in ANSWERS:
            found[event.question] = event
    return found


def _parts(question: Question | None, event: Event) -> frozenset[str]:
    noted = {event.part.partition(":")[0]} if event.part else set()
    return frozenset(noted | set(question.yes_if_degraded if question is not None else ()))


def evidence_of_answers(
    events: Iterable[Event],
    odometer_km: float | None = None,
    questions: Questions | None = None,
    readings: Readings = (),
) -> tuple[Evidence, ...]:
    """Return what the inspections in the log of one car say of its parts.

    `odometer_km` [km] is the reading now, the highest of log and `readings` (of drives, with their dates) where None.

    The last answer to a question counts, a repair ends what was seen before it, and an answer keeps half of its weight
    after a distance that the file of questions states. "Could not look" is no evidence. An entry that names no known
    question speaks for its part alone, and weakly.
    """
    known = questions or read_questions()
    events = tuple(sorted(events, key=_order))
    readings = (*_readings(events), *readings)
    now = odometer_km if odometer_km is not None else max((km for _, km in readings), default=None)
    found: list[Evidence] = []
    for name, event in answers_of(events, known).items():
        weight = _weight(known, event, readings, now)
        question = known.by_id.get(name)
        if question is None or event.answer == COULD_NOT_LOOK or weight < FORGOTTEN:
            continue
        said = _sentence(event, question.sign, weight)
        for part in question.yes_if_degraded:
            if not _renewed_since(part, event, events):
                ratio = question.ratio(part, event.answer or "") ** weight
                found.append(Evidence(part, ratio, said, f"inspection:{event.id}", question.symptom))
    found += _plain(known, events, readings, now)
    return tuple(found)


def _plain(known: Questions, events: Sequence[Event], readings: Readings, now: float | None) -> list[Evidence]:
    """Entries with a part and an answer only; the last one of each part."""
    last: dict[str, Event] = {}
    for event in events:
        without = event.question is None or event.question not in known.by_id
        if event.kind is EventKind.INSPECTION and event.part and event.answer in ANSWERS and without:
            last[event.part] = event
    worn, sound = known.plain
    ratios = {YES: worn / sound, NO: (1.0 - worn) / (1.0 - sound)}
    found = []
    for part, event in last.items():
        weight = _weight(known, event, readings, now)
        base = part.partition(":")[0]
        if (answer := event.answer or "") in ratios and weight >= FORGOTTEN and not _renewed_since(base, event, events):
            said = _sentence(event, event.note or "something", weight)
            found.append(Evidence(base, ratios[answer] ** weight, said, f"inspection:{event.id}"))
    return found


def _sentence(event: Event, sign: str, weight: float) -> str:
    seen = "was found" if event.answer == YES else "was looked for and not found"
    old = "; that was long ago and counts less" if weight < 0.5 else ""
    return f"Inspection of {day(event.at)}: {sign} {seen}{old}."


def _renewed_since(part: str, event: Event, events: Sequence[Event]) -> bool:
    """Whether the log says that a part was renewed after an answer; one place of it (ignition_coil:3) ends a "yes"."""
    return any(
        one.kind is EventKind.REPAIR
        and one.part is not None
        and (one.part == part or (event.answer == YES and one.part.partition(":")[0] == part))
        and _order(one) > _order(event)
        for one in events
    )


def _weight(known: Questions, event: Event, readings: Readings, now: float | None) -> float:
    """What is left of an answer's weight: half after the distance stated in the file, 1 where no distance is known."""
    then = event.odometer_km if event.odometer_km is not None else odometer_at(event.at, sorted(readings))
    fades = known.fades_km.get(event.answer or "")
    if now is None or then is None or fades is None:
        return 1.0
    return float(0.5 ** (max(0.0, now - then) / fades))


def _readings(events: Iterable[Event]) -> Readings:
    return [(event.at, event.odometer_km) for event in events if event.odometer_km is not None]


def _answering(events: Iterable[Event]) -> list[Event]:
    return [event for event in events if event.kind is EventKind.INSPECTION and event.question]


def _order(event: Event) -> tuple[datetime, int]:
    return event.at, event.id or 0
