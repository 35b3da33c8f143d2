"""`obdwatch ports`: what could be an adapter here."""

from __future__ import annotations

import click

from obdwatch.commands.options import Settings, common_options, print_json


@click.command("ports")
@common_options
def command(settings: Settings) -> None:
    """List the ports of this computer that could be an adapter; none is opened."""
    from obdwatch.adapters.elm327.ports import list_ports

    found = list_ports()
    if settings.as_json:
        print_json(found)
        return
    if not found:
        click.echo(
            "No serial port here. Plug the adapter in, or pair it, or name one on the network: socket://HOST:PORT"
        )
    for port in found:
        click.echo(f"{'likely  ' if port.likely else 'unlikely'}  {port.device}  {port.description}: {port.reason}")
