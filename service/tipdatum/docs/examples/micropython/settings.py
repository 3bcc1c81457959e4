HOST, PORT = "192.168.4.1", 1883
MACHINE = "digger-1"
# USER, PASSWORD = "display", "…"      # where the broker asks for them
