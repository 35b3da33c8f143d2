"""`obdwatch check`: what the car has stored, read once; and, only when asked and confirmed twice, erased."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.adapters.elm327.adapter import Elm327Adapter
    from obdwatch.recording.one_off import CarCheck

CONSEQUENCES = """\
Erasing does more than switch the warning lamp off. It also deletes
  - the stored and pending trouble codes and the freeze frame: the evidence of what went wrong,
  - the results of the on-board monitors, the misfire counts among them,
  - readiness: until the monitors have run again, which can take days of driving, many inspections refuse the car.
It repairs nothing; if the cause is still there, the codes come back. Permanent codes stay.
Do it only with the engine off and the ignition on, after you have written down what is shown above."""


@click.command("check")
@click.option("--port", default="auto", show_default=True, help="auto, a device, or socket://HOST:PORT.")
@click.option("--erase", is_flag=True, help="Afterwards offer to erase the codes; you will be asked twice.")
@common_options
def command(settings: Settings, port: str, erase: bool) -> int:
    """Read codes, freeze frame, readiness, monitor results and voltage once.

    Works with the ignition on, engine running or not. Nothing is changed in the car without --erase.
    """
    from obdwatch.adapters.elm327.adapter import Elm327Adapter
    from obdwatch.clock import SystemClock
    from obdwatch.recording.one_off import read_once

    if erase and (settings.as_json or not sys.stdin.isatty()):
        raise InputError("--erase needs you at the keyboard: run it on a terminal, without --json")
    clock = SystemClock()
    adapter = Elm327Adapter(port, clock, notice=lambda text: click.echo(text, err=True))
    try:
        found = read_once(adapter, adapter.connect(), clock)
        if settings.as_json:
            print_json(found)
        else:
            click.echo("\n".join(_lines(found, settings.units)))
        return _erase(adapter) if erase else 0
    finally:
        adapter.close()


def _lines(found: CarCheck, units: str) -> list[str]:
    connection = found.connection
    lines = [f"{connection.adapter} on {connection.port}, {connection.protocol}"]
    lines += [f"  {name}" for name in _identity(found)]
    lines += ["", "Trouble codes", *_codes(found)]
    lines += _freeze_frames(found, units)
    lines += ["", "Readiness of the car's own monitors", *_readiness(found)]
    lines += ["", "Results of the car's own monitors", *_monitors(found)]
    volts = [("at the connector", found.adapter_voltage), ("at the control unit", found.module_voltage)]
    known = [f"{value:.1f} V {place}" for place, value in volts if value is not None]
    lines += ["", "Voltage", f"  {', '.join(known) if known else 'could not be read'}"]
    if found.problems:
        lines += ["", "Could not be read", *(f"  {problem}" for problem in found.problems)]
    return lines


def _identity(found: CarCheck) -> list[str]:
    lines = []
    for unit in found.vehicle:
        name = f"control unit {unit.ecu:X}" if unit.ecu is not None else "control unit"
        if unit.vin is not None:
            doubt = "" if unit.vin_check else " (its check digit does not fit: misread, or not a North American number)"
            lines.append(f"vehicle identification number {unit.vin}{doubt}")
        ids = ", ".join(unit.calibration_ids)
        lines.append(f"{name}: {unit.ecu_name or 'no name given'}{f', calibration {ids}' if ids else ''}")
    return lines


def _codes(found: CarCheck) -> list[str]:
    from obdwatch.commands.words import advice_words
    from obdwatch.explanations.codes import explain, follow_first
    from obdwatch.records import CodeKind

    lines = []
    for kind in CodeKind:
        codes = sorted({reading.code for reading in found.codes if reading.kind is kind})
        if not codes:
            unknown = "not known: the car did not answer this request"
            lines.append(f"  {kind.value:<10} {'none' if kind in found.answered else unknown}")
        lines += [f"  {kind.value:<10} {code}  {explain(code).title}" for code in codes]
    every = sorted({reading.code for reading in found.codes})
    lines += [f"  Follow {advice_words(advice)}" for advice in follow_first(every)]
    return [*lines, f"  More: obdwatch codes {' '.join(every)}"] if every else lines


def _freeze_frames(found: CarCheck, units: str) -> list[str]:
    from obdwatch.commands.words import parameter_words

    lines = []
    for frame in found.freeze_frames:
        lines += ["", f"Freeze frame {frame.frame}, kept with {frame.code or 'an unnamed code'}"]
        lines += [f"  {parameter_words(key, value, units)}" for key, value in frame.values.items()]
    return lines


def _readiness(found: CarCheck) -> list[str]:
    since_erase = [reading for reading in found.readiness if not reading.this_cycle]
    if not since_erase:
        return ["  not known: the car did not answer"]
    lines = []
    for reading in since_erase:
        unit = f"control unit {reading.ecu:X}" if reading.ecu is not None else "control unit"
        lamp = "on" if reading.lamp_on else "off"
        lines.append(f"  {unit}: warning lamp {lamp}, {reading.code_count} confirmed code(s)")
        for name, (supported, complete) in reading.monitors.items():
            if supported:
                lines.append(f"    {name.replace('_', ' '):<24} {'complete' if complete else 'NOT complete'}")
    return lines


def _monitors(found: CarCheck) -> list[str]:
    from obdwatch.commands.words import monitor_words

    return [f"  {monitor_words(result)}" for result in found.monitors] or ["  none reported"]


def _erase(adapter: Elm327Adapter) -> int:
    from obdwatch.adapters.elm327.services import ERASE_WORD, EraseConfirmation
    from obdwatch.records import ReplyStatus

    click.echo("")
    click.echo(CONSEQUENCES)
    answers = []
    for question in (f"To erase, type the word {ERASE_WORD}", f"Sure? Type {ERASE_WORD} once more"):
        answers.append(click.prompt(question, default="no", show_default=False).strip())
        if answers[-1] != ERASE_WORD:
            click.echo("Nothing was erased.")
            return 0
    answered = adapter.erase_codes(EraseConfirmation(answers[0], answers[1]))
    done = [exchange for exchange in answered if exchange.status is ReplyStatus.OK]
    if len(done) == len(answered):
        click.echo("Erased. Drive on, and check again after a few days: 'obdwatch check' shows what has come back.")
        return 0
    refused = len(answered) - len(done)
    raise InputError(f"{refused} control unit(s) did not confirm the erasing: engine off, ignition on, then retry")
