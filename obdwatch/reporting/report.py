"""The whole report of one car: sections in the order in which an owner, a buyer or a workshop reads them.

Identification numbers are taken out of the finished document, wherever they stand in it, so that no way of a text into
the report can let one slip through.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection
from datetime import datetime
from typing import TYPE_CHECKING

from obdwatch import __version__
from obdwatch.errors import InputError
from obdwatch.explanations.findings import ADVICE
from obdwatch.planning.job_sheet import ALWAYS
from obdwatch.records import Car
from obdwatch.reporting.codes_read import codes_section
from obdwatch.reporting.document import Block, Document, Paragraph, Section, Tone, with_texts
from obdwatch.reporting.evidence import evidence_section
from obdwatch.reporting.facts import CarFacts, facts_of
from obdwatch.reporting.plan_and_past import history_section, plan_section
from obdwatch.reporting.state import car_section, parts_section, state_section
from obdwatch.reporting.words import day

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook

LEFT_OUT, NOT_READ = "left out", "not read"
HIDDEN = "[VIN left out]"
DIGITS_OF_A_VIN = 4  # fewer make a word or a name of 17 letters; real ones end in a serial number (49 CFR 565)
VIN_LIKE = re.compile(r"(?<![A-Z0-9])[A-HJ-NPR-Z0-9]{17}(?![A-Z0-9])", re.IGNORECASE)

METHOD = (
    "A percentage begins with how far such parts usually last, and each drive, code and look at the car then moves it "
    "by how much likelier that sight is on a worn part than on a sound one; the figures come from standards, the trade "
    "and assumptions, and how often the verdicts are right has been measured on virtual cars only."
)
LIMITS = (
    "A recording shows neither rust, brakes, tyres, steering and accidents nor a fault that has not yet reached the "
    "engine's numbers, so a part that is not named here is not thereby proven sound, and a named one is a suspicion to "
    "be checked."
)


def report_of(
    logbook: Logbook,
    car_id: str | None,
    units: str,
    made_at: datetime,
    with_vin: bool = False,
    show: Callable[[float], None] = lambda share: None,
) -> Document:
    """Return the report of a car of the logbook, the only one where `car_id` is None; `made_at` is aware.

    Identification numbers are left out unless `with_vin`; `show` is told what share is done (0 to 1), roughly. Raises
    InputError where it is not clear which car is meant.
    """
    facts = facts_of(logbook, chosen_car(logbook, car_id), units, made_at, show)
    return document_of(facts, with_vin)


def chosen_car(logbook: Logbook, car_id: str | None) -> Car:
    """Return the car that is meant, also one that drives name but that has no profile. Raises InputError."""
    profiles = {car.id: car for car in logbook.cars()}
    driven = dict.fromkeys(one.car_id for one in logbook.sessions() if one.car_id)
    known = list(dict.fromkeys([*profiles, *driven]))
    if car_id is None and len(known) == 1:
        car_id = known[0]
    if car_id is None:
        found = f"there are {', '.join(known)}" if known else "the logbook has none yet; 'obdwatch car add' adds one"
        raise InputError(f"say which car to report on, with --car; {found}")
    if car_id not in known:
        raise InputError(f"no car '{car_id}' in the logbook; 'obdwatch car list' shows them")
    return profiles.get(car_id) or Car(id=car_id)


def document_of(facts: CarFacts, with_vin: bool = False) -> Document:
    """Word a report from what is known; pure."""
    identity = NOT_READ if not facts.identities else ", ".join(facts.identities) if with_vin else LEFT_OUT
    document = Document(
        title=f"{facts.name}: what is known of this car",
        made=f"Made on {day(facts.made_at)} with obdwatch {__version__}. Advice, not an inspection.",
        sections=(
            state_section(facts),
            car_section(facts, identity),
            parts_section(facts),
            evidence_section(facts),
            codes_section(facts),
            plan_section(facts),
            history_section(facts),
            Section("How this was found, and what it cannot tell", (Paragraph(METHOD), Paragraph(LIMITS))),
            _cautions(facts),
        ),
        letter=facts.units == "us",
    )
    document = with_texts(document, clean)
    return document if with_vin else with_texts(document, lambda text: without_vin(text, facts.identities))


def _cautions(facts: CarFacts) -> Section:
    said = [caution for finding in facts.faults for caution in finding.cautions if caution != ADVICE]
    blocks: list[Block] = [Paragraph(text, Tone.CAUTION) for text in dict.fromkeys([*said, *ALWAYS])]
    advice = "This is advice from recorded data, not an inspection: check a part before you replace it."
    closing = (
        "Local rules and a licensed technician decide; torques, part numbers and bleeding are in the maker's manual."
    )
    return Section("Before anybody picks up a spanner", (*blocks, Paragraph(f"{advice} {closing}")))


def clean(text: str) -> str:
    """Return a text on one line without what no reader can see: control, direction and private characters.

    >>> clean("new\\x00 plugs\\u202e \\n fitted")
    'new plugs fitted'
    """
    kept = "".join(
        sign if unicodedata.category(sign) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") else " " * sign.isspace()
        for sign in text
    )
    return " ".join(kept.split(" ")) if kept == text else " ".join(kept.split())


def without_vin(text: str, known: Collection[str]) -> str:
    """Return a text without these identification numbers, however they are spaced, and without any that look like one.

    >>> without_vin("bought, 1m8gdm9a xkp042788 on the title", ["1M8GDM9AXKP042788"])
    'bought, [VIN left out] on the title'
    """
    for number in known:
        text = re.sub(r"[\s.·_-]*".join(map(re.escape, number)), HIDDEN, text, flags=re.IGNORECASE)

    def hide(match: re.Match[str]) -> str:
        found = match[0]
        return HIDDEN if sum(sign.isdigit() for sign in found) >= DIGITS_OF_A_VIN else found

    return VIN_LIKE.sub(hide, text)
