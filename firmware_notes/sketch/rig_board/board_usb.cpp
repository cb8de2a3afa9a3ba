// A board with its own USB, by the board editor's own functions (Serial, Wire, micros).
//
// UNTRIED on a board with its own USB: it has been compiled for one, and run on a simulated 8-bit chip without USB.
// Watch its first lines in the editor's monitor.
// Pins as on the 8-bit board: 8 data, 9 clock, 7 rate of the amplifier; the angle sensor on the board's SDA and
// SCL. Mind the voltage: a 3.3 V board needs an amplifier whose digital side is fed with 3.3 V.
#if defined(ARDUINO) && (!defined(__AVR_ATmega328P__) || defined(RIG_ANY_BOARD))

#include <Arduino.h>
#include <Wire.h>

#include "board.h"
#include "frame.h"
#include "settings.h"

static const uint8_t DATA_PIN = 8, CLOCK_PIN = 9, RATE_PIN = 7, SENSOR = 0x36;
static uint8_t bus_state = BUS_DONE, bus_bytes[2];

void board_begin(void)
{
    pinMode(DATA_PIN, INPUT_PULLUP);    // an unplugged line is never ready
    pinMode(CLOCK_PIN, OUTPUT);
    digitalWrite(CLOCK_PIN, LOW);
    pinMode(RATE_PIN, OUTPUT);
    Serial.begin(BAUD);
    Wire.begin();
    Wire.setClock(400000);
#if defined(WIRE_HAS_TIMEOUT)
    Wire.setWireTimeout(3000, true);
#endif
}

const char *board_cause(void) { return "reset"; }

uint32_t board_tick(void) { return (uint32_t)micros() + TICK_START; }

void board_hold(void) { noInterrupts(); }

void board_release(void) { interrupts(); }

int16_t board_typed(void) { return (int16_t)Serial.read(); }

void board_send(void)
{
    uint8_t byte;
    while (Serial.availableForWrite() > 0 && out_next(&byte))
        Serial.write(byte);
}

uint8_t board_ready(uint32_t *tick)
{
    if (digitalRead(DATA_PIN) == HIGH)
        return 0;
    *tick = board_tick();
    return 1;
}

void board_clock(uint8_t high) { digitalWrite(CLOCK_PIN, high ? HIGH : LOW); }

uint8_t board_data(void) { return digitalRead(DATA_PIN) == HIGH; }

void board_rate(uint8_t rate_hz) { digitalWrite(RATE_PIN, rate_hz > 10 ? HIGH : LOW); }

void board_bus_read(uint8_t from, uint8_t count)
{
    bus_state = BUS_FAILED;
    Wire.beginTransmission(SENSOR);
    Wire.write(from);
    if (Wire.endTransmission(false) != 0 || Wire.requestFrom(SENSOR, count) != count)
        return;
    for (uint8_t i = 0; i < count; i++)
        bus_bytes[i & 1] = (uint8_t)Wire.read();
    bus_state = BUS_DONE;
}

uint8_t board_bus_state(void) { return bus_state; }

uint8_t board_bus_byte(uint8_t place) { return bus_bytes[place & 1]; }

void board_bus_free(void)
{
    Wire.end();
    Wire.begin();
    Wire.setClock(400000);
}

#endif
