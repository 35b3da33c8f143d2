"""An ELM327-compatible command interpreter in front of a virtual or recorded car."""
