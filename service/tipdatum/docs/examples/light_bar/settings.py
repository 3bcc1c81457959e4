HOST, PORT = "192.168.4.1", 1883
MACHINE = "digger-1"
LED_PIN, LAMPS = 16, 11  # data pin of the LEDs, and how many: odd, 7 to 15, the lowest first
# BRIGHTEST = 0.1                      # at night
# USER, PASSWORD = "display", "…"      # where the broker asks for them
