"""What to say where the mixture is lean alike everywhere, so that every answer sends to the tank in the same words."""

LEAN_ALIKE = "The mixture is lean alike on every bank and at every load: the fuel may have changed."
OTHER_FUEL = (
    f"{LEAN_ALIKE} Note in the log what was filled in last; if it was another fuel, fill up with the usual one before"
    " any part is changed."
)
