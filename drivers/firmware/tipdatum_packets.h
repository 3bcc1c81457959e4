/* Sends readings as tipdatum packets (see packet.md). No heap, no library; give it a function that writes.
 *
 *     static void out(const uint8_t *bytes, size_t count) { Serial.write(bytes, count); }
 *     td_packet p;
 *     td_begin(&p, TD_IMU);  td_u32(&p, micros());
 *     td_imu(&p, 1, ax, ay, az, gx, gy, gz);        (m/s2 and rad/s; once for each sensor)
 *     td_send(&p, out);
 */
#ifndef TIPDATUM_PACKETS_H
#define TIPDATUM_PACKETS_H

#include <stddef.h>
#include <stdint.h>

enum { TD_IMU = 1, TD_TILT = 2, TD_ANGLE = 3, TD_INPUTS = 4, TD_WARMTH = 5, TD_HELLO = 6, TD_LONGEST = 250 };

typedef struct { uint8_t bytes[TD_LONGEST]; uint8_t count; } td_packet;
typedef void (*td_write)(const uint8_t *bytes, size_t count);

static inline void td_u8(td_packet *p, uint8_t v) { if (p->count < TD_LONGEST - 4) p->bytes[p->count++] = v; }
static inline void td_u16(td_packet *p, uint16_t v) { td_u8(p, (uint8_t)v); td_u8(p, (uint8_t)(v >> 8)); }
static inline void td_u32(td_packet *p, uint32_t v) { td_u16(p, (uint16_t)v); td_u16(p, (uint16_t)(v >> 16)); }

static inline void td_begin(td_packet *p, uint8_t type) {
    static uint8_t sequence;
    p->count = 0;
    td_u8(p, type);
    td_u8(p, sequence++);
}

/* A physical value as a whole number of `lsb`, rounded, and held at the ends of the range. */
static inline void td_scaled(td_packet *p, float value, float lsb) {
    float v = value / lsb;
    int32_t n = v >= 32767.0f ? 32767 : v <= -32768.0f ? -32768 : (int32_t)(v + (v < 0 ? -0.5f : 0.5f));
    td_u16(p, (uint16_t)n);
}

static inline void td_imu(td_packet *p, uint8_t id, float ax, float ay, float az, float gx, float gy, float gz) {
    td_u8(p, id);
    td_scaled(p, ax, 0.005f); td_scaled(p, ay, 0.005f); td_scaled(p, az, 0.005f);
    td_scaled(p, gx, 0.00125f); td_scaled(p, gy, 0.00125f); td_scaled(p, gz, 0.00125f);
}

static inline void td_tilt(td_packet *p, uint8_t id, int32_t pitch_millideg, int32_t roll_millideg) {
    td_u8(p, id);
    td_u32(p, (uint32_t)pitch_millideg);
    td_u32(p, (uint32_t)roll_millideg);
}

/* Send this for each sensor at the start and every few seconds: a swapped part is then found out. */
static inline void td_hello(td_packet *p, uint8_t id, const char *serial) {
    td_begin(p, TD_HELLO);
    td_u8(p, id);
    while (*serial) td_u8(p, (uint8_t)*serial++);
}

static inline void td_send(td_packet *p, td_write write) {
    uint32_t crc = 0xFFFFFFFFu;
    for (uint8_t i = 0; i < p->count; i++) {
        crc ^= p->bytes[i];
        for (int bit = 0; bit < 8; bit++) crc = (crc >> 1) ^ (0xEDB88320u & (0u - (crc & 1u)));
    }
    for (int shift = 0; shift < 32; shift += 8) p->bytes[p->count++] = (uint8_t)(~crc >> shift);
    /* COBS: every zero becomes the distance to the next one; the packet is shorter than 254 bytes. */
    uint8_t out[TD_LONGEST + 2], code_at = 0, n = 1;
    for (uint8_t i = 0; i < p->count; i++) {
        if (p->bytes[i]) { out[n++] = p->bytes[i]; continue; }
        out[code_at] = (uint8_t)(n - code_at);
        code_at = n++;
    }
    out[code_at] = (uint8_t)(n - code_at);
    out[n++] = 0;
    write(out, n);
}

#endif
