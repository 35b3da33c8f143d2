"""What to ask and when, the recorder, session files, importers and exporters."""
