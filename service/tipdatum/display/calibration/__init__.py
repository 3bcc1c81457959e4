"""A calibration to look at: its report as one HTML file."""
