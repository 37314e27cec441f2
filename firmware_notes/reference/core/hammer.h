/* The solenoid: one pulse at a time, never too long, never too often. */
#ifndef HAMMER_H
#define HAMMER_H

#include "hw.h"

void hammer_start(void);
void hammer_longest(uint16_t us); /* only ever lowers what is built in */
/* 0 and the time of the pulse, or the refusal; DUTY_CYCLE with the wait in `*t`, ms. */
uint8_t hammer_strike(int32_t us, uint32_t *t);
void hammer_cut(void);
void hammer_tick(void);

#endif
