"""Record the drives of story.toml anew, beside it: python recorded_sessions/record_story.py (about three minutes).

The same story gives the same drives; run it when the story, the virtual car or the recorder has changed, and commit
what comes out.
"""

from __future__ import annotations

from pathlib import Path

from obdwatch.recording.session_file import SUFFIX
from obdwatch.story import FILE, read_story
from obdwatch.story_recording import record_story

if __name__ == "__main__":
    folder = Path(__file__).parent
    for old in folder.glob(f"*{SUFFIX}"):
        old.unlink()
    for path in record_story(read_story(folder / FILE), folder):
        print(f"{path.name}: {path.stat().st_size / 1024:,.0f} KiB", flush=True)
