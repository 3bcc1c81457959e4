"""From a pose to what the operator needs: reference, target, limits, points."""
