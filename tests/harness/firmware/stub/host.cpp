// The sketch as a program of this computer.
#include "Arduino.h"
#include "Wire.h"

void (*handlers[64])();
SerialPort Serial;
TwoWire Wire;

#include "tipdatum_board.ino"

int main() {
    setup();
    for (;;) loop();
}
