/* A board that a test moves by hand: the portable core of the sketch, with everything around it as the test says. */
#include <string.h>

#include "board.h"
#include "channels.h"
#include "frame.h"
#include "rig.h"
#include "tick.h"

/* Set by the test. */
uint32_t host_tick;
uint8_t host_is_ready, host_stuck_low, host_bus_busy, host_bus_fails, host_status = 0x20;
uint32_t host_ready_tick;
int32_t host_counts;
uint16_t host_angle;
uint8_t host_long_pulse;            /* which pulse of the next word is long, counted from 1; 0 none */
uint32_t host_long_us;

/* Read by the test. */
uint32_t host_longest_high_us;
uint8_t host_rate, host_freed;

static uint8_t typed[4096];
static unsigned typed_from, typed_to;
static uint8_t pulse, level, held, bus_from;
static uint32_t rose;

void host_type(const uint8_t *bytes, unsigned n)
{
    memcpy(typed + typed_to, bytes, n);
    typed_to += n;
}

/* Takes at most `n` bytes of what goes out. */
unsigned host_take(uint8_t *into, unsigned n)
{
    unsigned taken = 0;
    while (taken < n && out_next(into + taken))
        taken++;
    return taken;
}

void host_sample(int32_t counts)
{
    host_counts = counts;
    host_ready_tick = host_tick;
    host_is_ready = 1;
    pulse = 0;
}

void host_steps(unsigned n)
{
    while (n--)
        rig_step();
}

uint32_t host_tick_at(uint32_t overflows, uint16_t count) { return tick_at(overflows, count); }

uint32_t host_tick_caught(uint32_t overflows, uint16_t count, uint16_t caught)
{
    return tick_caught(overflows, count, caught);
}

void board_begin(void)
{
    typed_from = typed_to = 0;
    pulse = level = held = host_is_ready = 0;
}

const char *board_cause(void) { return "test"; }

uint32_t board_tick(void) { return host_tick++; }

void board_hold(void) { held = 1; }

void board_release(void) { held = 0; }

int16_t board_typed(void) { return typed_from == typed_to ? -1 : typed[typed_from++]; }

void board_send(void) {}

uint8_t board_ready(uint32_t *tick)
{
    *tick = host_ready_tick;
    return host_is_ready;
}

void board_clock(uint8_t high)
{
    if (high && !level) {
        rose = host_tick;
        pulse++;
        if (pulse == 25)
            host_is_ready = 0;
        if (pulse == host_long_pulse) {
            host_tick += host_long_us;
            host_long_pulse = 0;
        }
    }
    if (!high && level && host_tick - rose > host_longest_high_us)
        host_longest_high_us = host_tick - rose;
    if (!high && level && host_tick - rose > 60)
        host_is_ready = 0;          /* powered down */
    level = high;
}

uint8_t board_data(void)
{
    if (host_stuck_low)
        return 0;
    return pulse > 24 ? 1 : (uint32_t)host_counts >> (24 - pulse) & 1;
}

void board_rate(uint8_t rate_hz) { host_rate = rate_hz; }

void board_bus_read(uint8_t from, uint8_t count)
{
    (void)count;
    bus_from = from;
}

uint8_t board_bus_state(void) { return host_bus_busy ? BUS_BUSY : host_bus_fails ? BUS_FAILED : BUS_DONE; }

uint8_t board_bus_byte(uint8_t place)
{
    if (bus_from == 0x0B)
        return host_status;
    return place ? host_angle & 0xFF : host_angle >> 8;
}

void board_bus_free(void) { host_freed++; }
