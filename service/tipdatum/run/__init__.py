"""What owns clocks, threads, ports, sockets and files while a service or a replay runs."""
