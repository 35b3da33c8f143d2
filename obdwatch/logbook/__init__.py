"""The one database of a user: cars, sessions, features, findings and events; see `logbook.Logbook`."""
