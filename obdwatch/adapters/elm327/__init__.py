"""Real adapters over serial, TCP and Bluetooth; the only folder that touches a port or imports python-OBD."""
