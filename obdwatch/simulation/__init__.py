"""The virtual car: physics, faults and drive cycles; returns signals and the truth behind them."""
