/* The two sensors: what they gave, and how they are. */
#ifndef CHANNELS_H
#define CHANNELS_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* How a sensor is. Up to STATES_WITH_VALUE the value can be sent, behind it it is "-". */
enum {
    STATE_OK, STATE_OVER_RANGE, STATE_MAGNET_WEAK, STATE_MAGNET_STRONG, STATES_WITH_VALUE,
    STATE_NO_ANSWER, STATE_POWERED_DOWN, STATE_MAGNET_MISSING
};
const char *state_word(uint8_t state);

/* Bridge amplifier: clocks the ready sample out and sets gain 128 for the next.

   STATE_OK or STATE_OVER_RANGE with its counts. STATE_POWERED_DOWN if a clock pulse was too long: the chip may
   have powered down in mid-word, so what came is no value; it is made to start anew. STATE_NO_ANSWER if its data
   line stays low behind the last pulse, where the chip holds it high: then no chip is there. */
uint8_t amplifier_read(int32_t *counts);

/* Angle sensor: begins a reading; 1 once it is over, with its state and counts. */
void angle_ask(void);
uint8_t angle_take(uint8_t *state, uint16_t *counts);

/* The state that its status register tells. */
uint8_t angle_state(uint8_t status);

#ifdef __cplusplus
}
#endif

#endif
