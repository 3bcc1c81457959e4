"""From readings to a pose: mounts, latencies, one causal estimator over the arm."""
