"""The one database of a user: cars, sessions, events, features and findings."""
