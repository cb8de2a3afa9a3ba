/* What the portable part asks of a board. board_8bit.c and board_usb.cpp are the two answers. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Sets up pins, tick, port and two-wire bus. */
void board_begin(void);

/* Why the board has started, one word. */
const char *board_cause(void);

/* Microseconds, modulo 2^32. */
uint32_t board_tick(void);

/* Interrupts off, and on again. */
void board_hold(void);
void board_release(void);

/* The next byte from the computer, -1 if there is none. */
int16_t board_typed(void);

/* Sees to it that what waits in the queue of frame.h goes out. Never waits. */
void board_send(void);

/* Amplifier: 1 if its data line is low, that is, a sample is ready, and when it became so; its clock line; its
   data line; its rate pin. */
uint8_t board_ready(uint32_t *tick);
void board_clock(uint8_t high);
uint8_t board_data(void);
void board_rate(uint8_t rate_hz);

/* Two-wire bus: begins to read `count` (1 or 2) registers of the angle sensor from `from` on; how far it is;
   what it brought; brings a bus that hangs back to life. */
enum { BUS_BUSY, BUS_DONE, BUS_FAILED };
void board_bus_read(uint8_t from, uint8_t count);
uint8_t board_bus_state(void);
uint8_t board_bus_byte(uint8_t place);
void board_bus_free(void);

#ifdef __cplusplus
}
#endif

#endif
