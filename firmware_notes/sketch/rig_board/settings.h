/* What may differ from rig to rig. The rest of the sketch needs no change. */
#ifndef SETTINGS_H
#define SETTINGS_H

/* The board's name: one word, at most 32 characters, another for every board. */
#ifndef DEVICE
#define DEVICE "rig-1"
#endif

/* Baud rate; a board with its own USB ignores it. 115200 is what the program expects. */
#ifndef BAUD
#define BAUD 115200UL
#endif

/* Readings a second at start: 80 or 10. */
#ifndef RATE_HZ
#define RATE_HZ 80
#endif

/* 1 if the amplifier's rate pin is wired to the board (pin 7), 0 if it is fixed on the amplifier's own board:
   then RATE_HZ must say how it is fixed, and the command `rate` is refused. */
#ifndef RATE_WIRED
#define RATE_WIRED 1
#endif

/* Where the tick begins, in microseconds. A test brings its wrap near with it; leave it at 0. */
#ifndef TICK_START
#define TICK_START 0UL
#endif

#endif
