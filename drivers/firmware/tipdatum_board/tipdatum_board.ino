/* Sends one to four inertial sensors as packets (see the page packet.md), on RP2040, ESP32 and other boards with setup()
 * and loop(). Copy ../tipdatum_packets.h into this folder, put your wiring into settings.h, and upload.
 * Figures made of it are advisory, no safety device.
 *
 * A reading is the mean of all samples of one sending period, stamped with the mean of their times: vibration above the
 * sending rate goes out with it instead of folding into tilt, and the stamp stays right. Whatever falls into a period is
 * sent at its end in the order of the stamps. A sensor that fails its self-test is not sent; it is tested again every
 * five seconds of the first minute, then at the next power-on. One that stops answering is looked for every second. As
 * long as one is missing the LED blinks quickly.
 */
#include <Arduino.h>
#include <Wire.h>

#include "chips.h"
#include "settings.h"
#include "tipdatum_packets.h"

#if defined(ARDUINO_ARCH_RP2040)
#include <pico/unique_id.h>
#endif

static const int COUNT = sizeof PLACES / sizeof PLACES[0];
static const uint32_t PERIOD_US = 1000000 / RATE_HZ;
static const uint32_t AGAIN_MS = 1000, TEST_AGAIN_MS = 5000, TESTS_UNTIL_MS = 60000;
static_assert(COUNT >= 1 && COUNT <= 4, "one to four sensors on a board");

struct Sensor {
    Chip chip;
    bool well = false, passed = false;
    volatile bool fresh = false;
    volatile uint32_t edge = 0;
    uint32_t count = 0, first = 0;
    double late = 0;
    float accel[3], gyro[3], celsius = 0;

    void clear() {
        count = 0;
        late = 0;
        for (int i = 0; i < 3; i++) accel[i] = gyro[i] = 0;
    }
};
static Sensor sensors[COUNT];
static uint32_t period_end, hello_at, warmth_at, again_at, inputs_at, tests_end;
static bool tests_over = false;
static uint8_t states = 0xFF;
static bool states_due = false;
static uint32_t states_t;

static void at_edge(int i) {
    sensors[i].edge = micros();
    sensors[i].fresh = true;
}
static void edge_0() { at_edge(0); }
static void edge_1() { at_edge(1); }
static void edge_2() { at_edge(2); }
static void edge_3() { at_edge(3); }
static void (*const EDGES[4])() = {edge_0, edge_1, edge_2, edge_3};

static void out(const uint8_t *bytes, size_t count) { Serial.write(bytes, count); }

/* Whether a time has come; counters wrap. */
static bool due(uint32_t now, uint32_t at) { return (int32_t)(now - at) >= 0; }

static void board_serial(char text[20]) {
#if defined(ARDUINO_ARCH_RP2040)
    pico_get_unique_board_id_string(text, 20);
#elif defined(ARDUINO_ARCH_ESP32)
    const uint64_t mac = ESP.getEfuseMac();
    snprintf(text, 20, "%04X%08lX", (unsigned)(mac >> 32 & 0xFFFF), (unsigned long)(mac & 0xFFFFFFFF));
#else
    snprintf(text, 20, "%s", SERIAL_NUMBER);
#endif
}

/* Finds, starts and tests one sensor's chip; returns whether a test was made. */
static bool begin_sensor(int i, bool may_test) {
    Sensor &s = sensors[i];
    s.well = false;
    s.clear();
    if (!s.chip.find(BUSES[PLACES[i].bus], PLACES[i].address) || !(s.passed || may_test)) return false;
    if (!s.chip.start()) return false;
    const bool tested = !s.passed;
    s.passed = s.passed || s.chip.self_test();
    int16_t waiting[7];
    /* A sample that waits would hold the pin where no edge comes. */
    s.well = s.passed && s.chip.raw(waiting);
    return tested;
}

static void take(int i) {
    Sensor &s = sensors[i];
    if (!s.well) return;
    uint32_t at = micros();
    if (PLACES[i].ready_pin < 0) {
        if (!s.chip.ready()) return;
    } else {
        /* An edge that was missed leaves the pin high, and no other would come. */
        if (!s.fresh && !digitalRead(PLACES[i].ready_pin)) return;
        if (s.fresh) at = s.edge;
        s.fresh = false;
    }
    Sample one;
    if (!s.chip.sample(one)) {
        s.well = false;
        return;
    }
    if (s.count++ == 0) s.first = at;
    s.late += (int32_t)(at - s.first);
    for (int k = 0; k < 3; k++) {
        s.accel[k] += one.accel[k];
        s.gyro[k] += one.gyro[k];
    }
    s.celsius = one.celsius;
}

static void look_at_inputs() {
    if (INPUT_PINS[0] < 0) return;
    uint8_t now_on = 0;
    for (int bit = 0; INPUT_PINS[bit] >= 0; bit++) now_on |= (uint8_t)((digitalRead(INPUT_PINS[bit]) ? 0 : 1) << bit);
    if (states_due || (now_on == states && !due(millis(), inputs_at))) return; /* one change a period */
    states = now_on;
    inputs_at = millis() + 1000;
    states_t = micros();
    states_due = true;
}

static void send_period(uint32_t now) {
    td_packet p;
    uint32_t stamps[COUNT] = {};
    bool open[COUNT] = {};
    for (int i = 0; i < COUNT; i++) {
        open[i] = sensors[i].well && sensors[i].count > 0;
        if (open[i]) stamps[i] = sensors[i].first + (uint32_t)(sensors[i].late / sensors[i].count);
    }
    for (;;) { /* the oldest first */
        int oldest = -1;
        for (int i = 0; i < COUNT; i++)
            if (open[i] && (oldest < 0 || now - stamps[i] > now - stamps[oldest])) oldest = i;
        if (states_due && (oldest < 0 || now - states_t > now - stamps[oldest])) {
            td_begin(&p, TD_INPUTS);
            td_u32(&p, states_t);
            td_u8(&p, states);
            td_send(&p, out);
            states_due = false;
            continue;
        }
        if (oldest < 0) break;
        Sensor &s = sensors[oldest];
        const float n = (float)s.count;
        td_begin(&p, TD_IMU);
        td_u32(&p, stamps[oldest]);
        td_imu(&p, PLACES[oldest].number, s.accel[0] / n, s.accel[1] / n, s.accel[2] / n, s.gyro[0] / n,
               s.gyro[1] / n, s.gyro[2] / n);
        td_send(&p, out);
        open[oldest] = false;
        s.clear();
    }
}

static void now_and_then() {
    const uint32_t now = millis();
    td_packet p;
    int well = 0;
    for (int i = 0; i < COUNT; i++) well += sensors[i].well;
    digitalWrite(LED_PIN, now / (well == COUNT ? 500 : 100) % 2);
    if (due(now, hello_at)) {
        hello_at = now + 5000;
        char board[20], serial[32];
        board_serial(board);
        for (int i = 0; i < COUNT; i++) {
            if (!sensors[i].well) continue;
            snprintf(serial, sizeof serial, "%s-%u", board, PLACES[i].number);
            td_hello(&p, PLACES[i].number, serial);
            td_send(&p, out);
        }
    }
    if (well && due(now, warmth_at)) {
        warmth_at = now + 1000;
        td_begin(&p, TD_WARMTH);
        for (int i = 0; i < COUNT; i++) {
            if (!sensors[i].well) continue;
            td_u8(&p, PLACES[i].number);
            td_scaled(&p, sensors[i].celsius, 0.01f);
        }
        td_send(&p, out);
    }
    if (well < COUNT && due(now, again_at)) {
        tests_over = tests_over || due(now, tests_end);
        bool tested = false;
        for (int i = 0; i < COUNT && !tested; i++) /* one test at a time */
            if (!sensors[i].well) tested = begin_sensor(i, !tests_over);
        again_at = millis() + (tested ? TEST_AGAIN_MS : AGAIN_MS);
    }
}

void setup() {
    Serial.begin(BAUD);
    pinMode(LED_PIN, OUTPUT);
    for (int bit = 0; INPUT_PINS[bit] >= 0; bit++) pinMode(INPUT_PINS[bit], INPUT_PULLUP);
    begin_buses();
    for (int i = 0; i < COUNT; i++) {
        if (PLACES[i].ready_pin >= 0) {
            pinMode(PLACES[i].ready_pin, INPUT);
            attachInterrupt(digitalPinToInterrupt(PLACES[i].ready_pin), EDGES[i], RISING);
        }
        begin_sensor(i, true);
    }
    const uint32_t now = millis();
    hello_at = warmth_at = inputs_at = now;
    again_at = now + TEST_AGAIN_MS;
    tests_end = now + TESTS_UNTIL_MS;
    period_end = micros() + PERIOD_US;
}

void loop() {
    for (int i = 0; i < COUNT; i++) take(i);
    look_at_inputs();
    const uint32_t now = micros();
    if (!due(now, period_end)) return;
    while (due(now, period_end)) period_end += PERIOD_US;
    send_period(now);
    now_and_then();
}
