"""Trouble codes and findings in plain language."""
