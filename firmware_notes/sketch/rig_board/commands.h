/* What the computer may ask: plain lines, any case, line feed or carriage return at the end. */
#ifndef COMMANDS_H
#define COMMANDS_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define COMMAND_BYTES 64

enum { COMMAND_IDENTIFY, COMMAND_START, COMMAND_STOP, COMMAND_RATE, COMMAND_TARE, COMMAND_UNKNOWN, COMMAND_LONG };

struct command {
    uint8_t name;       /* one of the above */
    uint8_t readable;   /* 0 if what stands behind the first word makes no sense */
    uint32_t argument;  /* of `rate`; what does not fit is 0xFFFFFFFF */
};

/* The first word of a command as it is answered. */
const char *command_word(uint8_t name);

/* One more byte from the computer: 1 if it ended a command. Empty lines are none. */
uint8_t command_byte(uint8_t byte, struct command *command);

/* Forgets a half command, as at a start. */
void command_clear(void);

#ifdef __cplusplus
}
#endif

#endif
