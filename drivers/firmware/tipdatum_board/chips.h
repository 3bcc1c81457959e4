/* Two usual inertial chips on I2C: start, self-test, data-ready, readings in m/s2 and rad/s.
 *
 * Registers, scales and self-test limits are those of
 *     MPU-6050   RM-MPU-6000A-00 revision 4.2 (registers, self-test), PS-MPU-6000A-00 revision 3.4 (scales)
 *     LSM6DSO    DS12140 revision 2
 */
#pragma once
#include <Arduino.h>
#include <Wire.h>
#include <math.h>

static const float STANDARD_G = 9.80665f, RADIANS = 0.017453293f;

struct Sample {
    float accel[3], gyro[3], celsius;
};

class Chip {
  public:
    enum Kind { NONE, MPU6050, LSM6DSO };

    /* Looks which chip answers at the address. */
    bool find(TwoWire *bus, uint8_t address) {
        bus_ = bus;
        address_ = address;
        kind_ = NONE;
        uint8_t who = 0;
        if (read(0x0F, &who, 1) && who == 0x6C) kind_ = LSM6DSO;
        else if (read(0x75, &who, 1) && who == 0x68) kind_ = MPU6050;
        return kind_ != NONE;
    }

    bool start() {
        if (kind_ == MPU6050) {
            bool ok = write(0x6B, 0x80); /* reset */
            delay(100);
            ok &= write(0x6B, 0x01); /* awake, clock of the gyro */
            delay(50);
            ok &= write(0x1A, 0x03); /* filter: 44 Hz accel, 42 Hz gyro; then the gyro's rate is 1 kHz */
            ok &= write(0x19, 4);    /* divided by 5 */
            ok &= write(0x37, 0x00); /* the pin goes high for 50 us */
            return ok & write(0x38, 0x01) & ranges(0x08, 0x08);
        }
        bool ok = write(0x12, 0x01); /* reset */
        delay(20);
        ok &= write(0x12, 0x44); /* a sample stays whole while it is read; addresses count up */
        ok &= write(0x0D, 0x02); /* the pin is high from data ready until the gyro has been read */
        return ok & ranges(0x54, 0x58);
    }

    bool ready() {
        uint8_t state = 0;
        if (kind_ == MPU6050) return read(0x3A, &state, 1) && (state & 0x01);
        return read(0x1E, &state, 1) && (state & 0x02);
    }

    /* ax, ay, az, gx, gy, gz and temperature in counts. */
    bool raw(int16_t out[7]) {
        uint8_t b[14];
        const bool mpu = kind_ == MPU6050;
        if (!read(mpu ? 0x3B : 0x20, b, 14)) return false;
        int16_t v[7];
        for (int i = 0; i < 7; i++)
            v[i] = (int16_t)(mpu ? b[2 * i] << 8 | b[2 * i + 1] : b[2 * i + 1] << 8 | b[2 * i]);
        for (int i = 0; i < 3; i++) {
            out[i] = mpu ? v[i] : v[4 + i];
            out[3 + i] = mpu ? v[4 + i] : v[1 + i];
        }
        out[6] = mpu ? v[3] : v[0];
        return true;
    }

    bool sample(Sample &s) {
        int16_t v[7];
        if (!raw(v)) return false;
        const bool mpu = kind_ == MPU6050;
        const float a = mpu ? STANDARD_G / 8192.0f : 0.000122f * STANDARD_G;
        const float w = mpu ? RADIANS / 65.5f : 0.0175f * RADIANS;
        for (int i = 0; i < 3; i++) {
            s.accel[i] = v[i] * a;
            s.gyro[i] = v[3 + i] * w;
        }
        s.celsius = mpu ? v[6] / 340.0f + 36.53f : v[6] / 256.0f + 25.0f;
        return true;
    }

    /* Whether each axis answers its own test as the data sheet says. The chip must be at rest. */
    bool self_test() {
        float rest[6], pushed[6];
        const bool mpu = kind_ == MPU6050;
        /* The ranges for which the limits are given. */
        if (!(mpu ? ranges(0x00, 0x10) : ranges(0x5C, 0x58))) return false;
        delay(100);
        if (!mean(rest)) return false;
        if (!(mpu ? ranges(0xE0, 0xF0) : write(0x14, 0x05))) return false;
        delay(100);
        if (!mean(pushed)) return false;
        if (!(mpu ? ranges(0x08, 0x08) : write(0x14, 0x00) && ranges(0x54, 0x58))) return false;
        delay(100);
        if (!mpu) { /* 50 to 1700 mg, and 150 to 700 deg/s at +-2000 deg/s */
            for (int i = 0; i < 6; i++) {
                const float moved = fabsf(pushed[i] - rest[i]) * (i < 3 ? 0.122f : 0.07f);
                if (moved < (i < 3 ? 50.0f : 150.0f) || moved > (i < 3 ? 1700.0f : 700.0f)) return false;
            }
            return true;
        }
        uint8_t codes[4];
        if (!read(0x0D, codes, 4)) return false;
        for (int i = 0; i < 3; i++) { /* within 14 % of the factory's figures; without them no verdict */
            const int a = (codes[i] >> 3 & 0x1C) | (codes[3] >> (4 - 2 * i) & 0x03), w = codes[i] & 0x1F;
            const float trim_a = 4096 * 0.34f * powf(0.92f / 0.34f, (a - 1) / 30.0f);
            const float trim_w = 25 * 131 * powf(1.046f, w - 1) * (i == 1 ? -1 : 1);
            if (a && fabsf((pushed[i] - rest[i]) / trim_a - 1) > 0.14f) return false;
            if (w && fabsf((pushed[3 + i] - rest[3 + i]) / trim_w - 1) > 0.14f) return false;
        }
        return true;
    }

  private:
    TwoWire *bus_ = nullptr;
    uint8_t address_ = 0;
    Kind kind_ = NONE;

    bool write(uint8_t at, uint8_t value) {
        bus_->beginTransmission(address_);
        bus_->write(at);
        bus_->write(value);
        return bus_->endTransmission() == 0;
    }

    bool read(uint8_t at, uint8_t *out, uint8_t count) {
        bus_->beginTransmission(address_);
        bus_->write(at);
        if (bus_->endTransmission(false) != 0 || bus_->requestFrom(address_, count) != count) return false;
        for (uint8_t i = 0; i < count; i++) out[i] = (uint8_t)bus_->read();
        return true;
    }

    bool ranges(uint8_t gyro, uint8_t accel) {
        const bool mpu = kind_ == MPU6050;
        const bool one = write(mpu ? 0x1B : 0x11, gyro);
        return write(mpu ? 0x1C : 0x10, accel) && one;
    }

    /* Means of eight new samples, in counts. */
    bool mean(float out[6]) {
        for (int i = 0; i < 6; i++) out[i] = 0;
        for (int n = 0; n < 8; n++) {
            int tries = 0;
            while (!ready()) {
                if (++tries > 20) return false;
                delay(2);
            }
            int16_t v[7];
            if (!raw(v)) return false;
            for (int i = 0; i < 6; i++) out[i] += v[i] / 8.0f;
        }
        return true;
    }
};
