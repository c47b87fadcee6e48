"""Transcripts of a device and the service: made from a real server, replayed by any client (README.md says how)."""
