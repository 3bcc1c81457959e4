"""From observations to a machine description that can be trusted."""
