"""What computes between readings and messages: no clock, thread or socket."""
