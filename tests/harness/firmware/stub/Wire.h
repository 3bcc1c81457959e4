/* The framework's I2C over the simulated world. */
#pragma once
#include "Arduino.h"

class TwoWire {
  public:
    void begin() {}
    void setClock(uint32_t) {}
    void beginTransmission(uint8_t address) {
        address_ = address;
        count_ = 0;
    }
    size_t write(uint8_t value) {
        if (count_ < sizeof bytes_) bytes_[count_++] = value;
        return 1;
    }
    /* A write without data sets the register that a read begins at. */
    uint8_t endTransmission(bool = true) {
        register_ = bytes_[0];
        const uint32_t found = ask('w', 0, address_, register_, bytes_ + 1, count_ - 1);
        return found ? 0 : 2;
    }
    uint8_t requestFrom(uint8_t address, uint8_t count) {
        at_ = 0;
        return (uint8_t)ask('r', address, register_, count, nullptr, 0, answer_);
    }
    int read() { return answer_[at_++]; }

  private:
    uint8_t address_ = 0, register_ = 0, bytes_[32], answer_[64], at_ = 0;
    uint32_t count_ = 0;
};
extern TwoWire Wire;
