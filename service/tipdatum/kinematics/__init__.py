"""Pure geometry: frames, the arm's chain, the bucket linkage. Vectorised, without state."""
