"""One module a group of commands: bodies and what carries them out."""
