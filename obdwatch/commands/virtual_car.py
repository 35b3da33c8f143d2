"""`obdwatch virtual-car`: a car and an adapter that exist only in this program, for any OBD-II client."""

from __future__ import annotations

import click

from obdwatch.commands.options import Amount, Settings, common_options, print_json


@click.command("virtual-car")
@click.option("--listen", default="127.0.0.1:13270", show_default=True, help="HOST:PORT, or pty for a pseudo terminal.")
@click.option("--fault", "faults", multiple=True, help="NAME[@PLACE][=SEVERITY], 0 to 1; may be given several times.")
@click.option("--link-fault", "link_faults", multiple=True, help="Trouble on the link, such as drop=0.02.")
@click.option("--layout", default=None, help="Engine layout; --list shows them.")
@click.option("--trip", default="commute", show_default=True, help="What is driven; --list shows them.")
@click.option("--protocol", default="6", show_default=True, help="6 or 7: CAN 11 or 29 bit; 3 or 5: K-line.")
@click.option("--speed", type=Amount(above_zero=True), default=1.0, help="2 lives twice as fast; default: real time.")
@click.option("--request-time", type=Amount(), help="Seconds a request takes; default: as its parts do.")
@click.option("--seed", default=0, show_default=True, help="Another seed is another car of the same kind.")
@click.option("--list", "show_list", is_flag=True, help="List layouts, trips and faults, and exit.")
@common_options
def command(
    settings: Settings,
    listen: str,
    faults: tuple[str, ...],
    link_faults: tuple[str, ...],
    layout: str | None,
    trip: str,
    protocol: str,
    speed: float,
    request_time: float | None,
    seed: int,
    show_list: bool,
) -> None:
    """Serve an invented car behind an ELM327-compatible adapter until Ctrl-C.

    The trip begins with the first client. When it is over the key is off, and nobody answers any more.
    """
    from obdwatch.adapters.virtual.car_bus import CarBus
    from obdwatch.adapters.virtual.interpreter import ElmInterpreter
    from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
    from obdwatch.adapters.virtual.scaled_clock import ScaledClock
    from obdwatch.adapters.virtual.timing import AdapterTiming
    from obdwatch.commands.serving import serve_until_stopped
    from obdwatch.simulation.car import VirtualCar
    from obdwatch.simulation.faults import FAULTS, parse_fault
    from obdwatch.simulation.layouts import LAYOUTS, layout_named
    from obdwatch.simulation.trips import TRIPS, trip_named

    if show_list:
        print_lists(settings, [x.name for x in LAYOUTS], [x.name for x in TRIPS], [x.name for x in FAULTS])
        return
    car = VirtualCar(
        layout_named(layout) if layout else LAYOUTS[0],
        trip_named(trip),
        tuple(parse_fault(text) for text in faults),
        seed=seed,
    )
    clock = ScaledClock(speed)
    link = LinkFaults([parse_link_fault(text) for text in link_faults], seed=seed)
    timing = AdapterTiming(request_time=request_time)
    serve_until_stopped(ElmInterpreter(CarBus(car, protocol), clock, link, timing), clock, listen, settings)


def print_lists(settings: Settings, layouts: list[str], trips: list[str], faults: list[str]) -> None:
    """Show what can be chosen."""
    lists = {"layouts": layouts, "trips": trips, "faults": faults}
    if settings.as_json:
        print_json(lists)
        return
    for name, entries in lists.items():
        click.echo(f"{name}:")
        click.echo("".join(f"  {entry}\n" for entry in entries), nl=False)
