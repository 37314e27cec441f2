/* The speed gate: four edges of one blow, two on the way in and two on the way out. */
#ifndef GATE_H
#define GATE_H

#include "hw.h"

void gate_open(uint16_t strike);
void gate_tick(void);
/* 0 when the result is there; speeds in 0.1 mm/s, 0 where there was nothing to see. */
uint8_t gate_result(uint16_t strike, uint32_t *in, uint32_t *out);

#endif
