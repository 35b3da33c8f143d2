"""How old the parts of a car are, and which it does not have, as lines below its profile."""

from __future__ import annotations

from typing import TYPE_CHECKING

from obdwatch.units import odometer_text

if TYPE_CHECKING:
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.part_ages import PartAge
    from obdwatch.records import Car


def part_lines(logbook: Logbook, car: Car, units: str) -> list[str]:
    """One comment line a part: when it was last new, or "unknown", which is taken as the car's own distance."""
    from obdwatch.part_ages import AgeSource

    ages, missing, odometer = _ages(logbook, car)
    at = f"; the odometer last read {odometer_text(odometer, units)}" if odometer is not None else ""
    lines = [f"# When each part was last new (unknown: taken as old as the car{at}):"]
    unknown = []
    for part, age in sorted(ages.items()):
        if age.source is AgeSource.UNKNOWN and not age.remark:
            unknown.append(part)
            continue
        lines.append(f"#   {part}: {_age(age, odometer, units)}")
    lines += [f"#   unknown: {', '.join(unknown)}"] if unknown else []
    return [*lines, *([f"# not in this car: {', '.join(missing)}"] if missing else [])]


def parts_document(logbook: Logbook, car: Car) -> dict[str, object]:
    """The same as JSON: ages by part id, and the ids of parts that the car does not have."""
    ages, missing, odometer = _ages(logbook, car)
    return {"ages": ages, "not_in_this_car": missing, "odometer_km": odometer}


def _ages(logbook: Logbook, car: Car) -> tuple[dict[str, PartAge], list[str], float | None]:
    from obdwatch.car_profiles import PART_IDS
    from obdwatch.part_ages import base_of, part_ages
    from obdwatch.parts.catalogue import OWN_FILE, catalogue_for, read_catalogue

    whole = read_catalogue(logbook.directory / OWN_FILE)
    fitted = set(catalogue_for(car, whole).parts)
    readings = logbook.odometer_readings(car.id)
    ages = part_ages(car, logbook.events(car.id), tuple(dict.fromkeys((*PART_IDS, *whole.parts))), readings)
    here = {part: age for part, age in ages.items() if base_of(part) in fitted or base_of(part) not in whole.parts}
    missing = sorted(set(whole.parts) - fitted)
    return here, missing, max((km for _, km in readings), default=None)


def _age(age: PartAge, odometer: float | None, units: str) -> str:
    from obdwatch.part_ages import AgeSource

    if age.new_at_km is None:
        known = "renewed" if age.source is AgeSource.LOG else "unknown"
        return f"{known}; {age.remark}" if age.remark else known
    about = "about " if age.estimated else ""
    words = f"{about}{odometer_text(age.new_at_km, units)}"
    if odometer is not None:
        words += f", {odometer_text(age.distance(odometer) or 0.0, units)} ago"
    source = f"log entry {age.event_id}" if age.source is AgeSource.LOG and age.event_id is not None else age.source
    return f"{words} ({source}){f'; {age.remark}' if age.remark else ''}"
