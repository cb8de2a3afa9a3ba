/* A 32-bit tick of one microsecond from a 16-bit counter that runs at two counts a microsecond. */
#ifndef TICK_H
#define TICK_H

#include <stdint.h>

/* The tick for a count and the number of times that the counter has run over. It wraps by itself at 2^32. */
static inline uint32_t tick_at(uint32_t overflows, uint16_t count)
{
    return overflows << 15 | count >> 1;
}

/* The tick for a count that was caught a little earlier, less than one turn of the counter (32 ms) ago. */
static inline uint32_t tick_caught(uint32_t overflows, uint16_t count, uint16_t caught)
{
    return tick_at(caught > count ? overflows - 1 : overflows, caught);
}

#endif
