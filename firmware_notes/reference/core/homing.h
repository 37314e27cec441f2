/* Finding the corner, one axis after the other: fast approach, back off, slow approach, clear. */
#ifndef HOMING_H
#define HOMING_H

#include "hw.h"

void homing_begin(void); /* with the lock held, state already HOMING */
bool homing_poll(void);  /* true when every axis has been found */
void homing_tick(uint8_t touched); /* stops at once where a switch is touched or lets go */

#endif
