"""Sans-IO decoders, one module a format: bytes or lines in, readings and faults out."""
