#include "channels.h"

#include "board.h"

/* Facts of the chips' data sheets: a 24-bit bridge amplifier and a 12-bit magnetic angle sensor. */
#define HIGHEST 0x7FFFFF        /* end stops of the amplifier */
#define PULSE_US 50             /* a clock pulse may be high for 50 us; past 60 us the chip powers down */
#define POWER_DOWN_US 80        /* held high for this long it has surely powered down */
#define RAW_ANGLE 0x0C          /* two registers, high byte first; never the scaled 0x0E, never write 0xFF */
#define STATUS 0x0B
#define MAGNET_FOUND 0x20
#define MAGNET_WEAK 0x10
#define MAGNET_STRONG 0x08

/* Two transfers take 0.3 ms at 400 kHz. Longer than this: the bus hangs. Ours, of the order of ten times that. */
#define BUS_PATIENCE_US 3000

const char *state_word(uint8_t state)
{
    switch (state) {
    case STATE_OVER_RANGE: return "over-range";
    case STATE_MAGNET_WEAK: return "magnet-weak";
    case STATE_MAGNET_STRONG: return "magnet-strong";
    case STATE_MAGNET_MISSING: return "magnet-missing";
    case STATE_NO_ANSWER: return "no-answer";
    case STATE_POWERED_DOWN: return "powered-down";
    default: return "ok";
    }
}

/* Lets the amplifier power down for sure and start anew, so that no half-read word is left in it. */
static void amplifier_restart(void)
{
    uint32_t begun = board_tick();
    board_clock(1);
    while (board_tick() - begun < POWER_DOWN_US) {
    }
    board_clock(0);
}

uint8_t amplifier_read(int32_t *counts)
{
    uint32_t word = 0;
    for (uint8_t pulse = 0; pulse < 25; pulse++) {      /* 24 bits; one pulse more is gain 128 */
        board_hold();
        uint32_t begun = board_tick();
        board_clock(1);
        uint8_t bit = board_data();
        board_clock(0);
        uint32_t high_us = board_tick() - begun;
        board_release();
        if (high_us > PULSE_US) {
            amplifier_restart();
            return STATE_POWERED_DOWN;
        }
        if (pulse < 24)
            word = word << 1 | bit;
    }
    if (!board_data())
        return STATE_NO_ANSWER;
    *counts = word > HIGHEST ? (int32_t)word - 0x1000000 : (int32_t)word;
    return *counts == HIGHEST || *counts == -HIGHEST - 1 ? STATE_OVER_RANGE : STATE_OK;
}

static uint8_t asking;          /* RAW_ANGLE, then STATUS */
static uint32_t asked;
static uint16_t raw;

void angle_ask(void)
{
    asking = RAW_ANGLE;
    asked = board_tick();
    board_bus_read(RAW_ANGLE, 2);
}

uint8_t angle_state(uint8_t status)
{
    uint8_t weak = status & MAGNET_WEAK, strong = status & MAGNET_STRONG;
    if (weak && strong)
        return STATE_NO_ANSWER;     /* cannot be: the bus reads all ones */
    if (!(status & MAGNET_FOUND))
        return STATE_MAGNET_MISSING;
    return weak ? STATE_MAGNET_WEAK : strong ? STATE_MAGNET_STRONG : STATE_OK;
}

uint8_t angle_take(uint8_t *state, uint16_t *counts)
{
    uint8_t bus = board_bus_state();
    if (bus == BUS_BUSY) {
        if (board_tick() - asked < BUS_PATIENCE_US)
            return 0;
        board_bus_free();
        bus = BUS_FAILED;
    }
    if (bus == BUS_FAILED) {
        *state = STATE_NO_ANSWER;
        return 1;
    }
    if (asking == RAW_ANGLE) {
        raw = (uint16_t)((board_bus_byte(0) << 8 | board_bus_byte(1)) & 0x0FFF);
        asking = STATUS;
        board_bus_read(STATUS, 1);
        return 0;
    }
    *counts = raw;
    *state = angle_state(board_bus_byte(0));
    return 1;
}
