"""The shared words: complete, and light to load."""

from __future__ import annotations

import subprocess
import sys

from obdwatch.explanations.explanation import Origin
from obdwatch.explanations.wording import ORIGIN_NOTES, URGENCY_SENTENCES, URGENCY_WORDS
from obdwatch.urgency import Urgency


def test_every_urgency_has_a_label_and_a_sentence() -> None:
    assert set(URGENCY_WORDS) == set(URGENCY_SENTENCES) == set(Urgency)
    assert all(sentence.endswith(".") for sentence in URGENCY_SENTENCES.values())
    assert not any(label.endswith(".") for label in URGENCY_WORDS.values())


def test_every_origin_but_written_has_a_note() -> None:
    assert set(ORIGIN_NOTES) == set(Origin) - {Origin.WRITTEN}


def test_words_and_codes_load_without_numpy() -> None:
    program = (
        "import sys, obdwatch.explanations.wording, obdwatch.explanations.codes, obdwatch.commands.codes;"
        "obdwatch.explanations.codes.explain('P0171'); sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
