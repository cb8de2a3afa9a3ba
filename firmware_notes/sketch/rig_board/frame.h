/* One line of the protocol: put together, checked, and sent whole or not at all. */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* CRC-16/IBM-3740 of one more byte; begins at 0xFFFF. */
uint16_t check_add(uint16_t check, uint8_t byte);

void line_begin(void);
void put(char c);
void put_text(const char *text);
void put_unsigned(uint32_t value);
void put_signed(int32_t value);

/* Adds the check and lets the line go: 1. If the queue had no room for all of it, nothing of it goes: 0. */
uint8_t line_end(void);

/* An empty line: ends whatever half line a restart has left. */
void line_break(void);

/* The next byte on its way out: 1, or 0 if there is none. May be called from an interrupt. */
uint8_t out_next(uint8_t *byte);
uint8_t out_waiting(void);

/* Forgets everything, as at a start. */
void out_clear(void);

#ifdef __cplusplus
}
#endif

#endif
