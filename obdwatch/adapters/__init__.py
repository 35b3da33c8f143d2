"""The link to a car: real ELM327-compatible adapters and their stand-ins."""
