/* The rig's board: samples in, lines out, commands in between. Nothing here waits. */
#ifndef RIG_H
#define RIG_H

#ifdef __cplusplus
extern "C" {
#endif

void rig_begin(void);

/* Called for ever. */
void rig_step(void);

#ifdef __cplusplus
}
#endif

#endif
