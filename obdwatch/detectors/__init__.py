"""One file for each question a mechanic asks; each a pure function of drive, car and history."""
