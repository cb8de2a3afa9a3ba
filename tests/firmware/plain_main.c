/* The sketch without the board editor: what its setup() and loop() do. */
#include "rig.h"

int main(void)
{
    rig_begin();
    for (;;)
        rig_step();
}
