"""obdwatch: which wear part of this car is on its way out, from standard OBD-II data."""

__version__ = "0.1.0"
