/* What is wired where. Pins are the board's GPIO numbers. */
#pragma once
#include <Wire.h>

/* I2C buses in use; a second one for more than two chips of a type. Pins: Wire.setSDA() on RP2040 boards and
   Wire.begin(sda, scl) on ESP32 boards, called in begin_buses(). */
static TwoWire *const BUSES[] = {&Wire};

static inline void begin_buses() {
    Wire.begin();
    Wire.setClock(400000);
}

struct Place {
    uint8_t number;  /* in the packets */
    uint8_t bus;     /* place in BUSES */
    uint8_t address; /* 0x6A or 0x6B: LSM6DSO, 0x68 or 0x69: MPU-6050 */
    int ready_pin;   /* data-ready of the chip, -1: not wired, the chip is asked */
};
static const Place PLACES[] = {
    {1, 0, 0x6A, 15},
};

static const uint32_t RATE_HZ = 100; /* readings a second that are sent */
static const uint32_t BAUD = 230400; /* of a real UART; USB does not mind */
static const int LED_PIN = LED_BUILTIN;
/* Pins of switches that close to ground, bit 0 first: travel switch, a laser receiver's contact; ended by -1. */
static const int INPUT_PINS[] = {-1};
/* Where the board tells no serial number of its own. */
#define SERIAL_NUMBER "board-1"
