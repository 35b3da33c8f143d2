"""From part risks to visits: jobs, what must be opened for them, and when to do what."""
