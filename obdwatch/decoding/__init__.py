"""Reply bytes to physical values: SAE J1979 services 01 to 0A, as tables and pure functions."""
