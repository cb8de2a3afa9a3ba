// The rig's board for blankbench: bridge amplifier and magnetic angle sensor, read and sent as lines.
//
// Open this file in the board editor, choose your board, look through settings.h, upload.
// Wires and pins: ../README.md. What it sends: ../../line_protocol.md.
//
// An ATmega328P board at 16 MHz gets board_8bit.c, every other one board_usb.cpp (which is untried: see there).

#include "rig.h"

void setup() { rig_begin(); }

void loop() { rig_step(); }
