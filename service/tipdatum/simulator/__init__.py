"""A machine that can be driven: bodies, oil, soil and sensors, without a clock. Begin at `simulation`."""
