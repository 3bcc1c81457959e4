"""Reading tilt sensors: bytes or recorded lines in, readings out. Knows nothing of the service."""
