"""The web app: files that a browser loads as they are, and what is told of them. No template, no build step."""
