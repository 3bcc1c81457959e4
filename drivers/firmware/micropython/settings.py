# What is wired where. Pins are the board's GPIO numbers.
BUSES = ({"id": 0, "sda": 4, "scl": 5},)  # I²C, 400 kHz; a second one for more than two chips of a type

SENSORS = (
    # number in the packets, bus (place in BUSES), address, data-ready pin or None (then the chip is asked)
    (1, 0, 0x6A, 15),  # 0x6A or 0x6B: LSM6DSO, 0x68 or 0x69: MPU-6050
)

RATE_HZ = 100  # readings a second that are sent; up to 100 with all four sensors on a UART of 230400
INPUTS = ()  # pins of switches that close to ground, bit 0 first: travel switch, a laser receiver's contact
LED = "LED"  # or the number of its pin
UART = None  # None: USB. Or (id, baud, tx pin), such as (0, 230400, 0)
