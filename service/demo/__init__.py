"""The demo: a really running server, real-looking collections loaded through its HTTP API, and what it answers."""
