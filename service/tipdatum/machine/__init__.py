"""What the machine is: its description, and the same in words."""
