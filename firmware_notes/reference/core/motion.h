/* Straight moves from rest to rest with limited speed and acceleration. */
#ifndef MOTION_H
#define MOTION_H

#include "config.h"
#include "hw.h"

extern const int16_t steps_per_mm[3];

/* Speed and acceleration hold along the way. Returns the duration in ms; `steps` are relative.
   Nothing moves before motion_go. */
uint32_t motion_plan(const int32_t steps[AXES], float mm_s, float mm_s2);
void motion_go(void);   /* with the lock held */
void motion_kill(void); /* now, without a ramp; drivers off */
void motion_stop(void); /* now, without a ramp; drivers hold */
bool motion_over(void);
void motion_poll(void); /* prepares the steps to come; from the main loop */
/* Steps of the present move that have been made, with their sign. */
void motion_made(int32_t made[AXES]);

#endif
