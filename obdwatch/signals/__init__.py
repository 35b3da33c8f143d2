"""From a session file to a drive: signals with their own times, alignment and masks."""
